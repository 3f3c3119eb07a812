"""Pages that the bench does not time, each with the reason."""

from collections.abc import Mapping

# Answered with GET, but no page of figures; each with its reason.
NOT_TIMED: Mapping[str, str] = {
    "assets.file": "a file, sent as it is",
    "first_pages.choose": "leads on whoever chose the own password",
    "group.group_file": "of several plants, each with a database of its own",
    "group_api.get_group": "of several plants, each with a database of its own",
    "group_api.get_group_rates": "of several plants, each with a database of its own",
    "group_api.get_group_signals": "of several plants, each with a database of its own",
    "group.group_page": "of several plants, each with a database of its own",
    "heat.heat_cell": "leads on to the entries of a cell",
    "labels.machine_label": "leads on to the machine",
    "labels.tool_label": "leads on to the tool",
    "people.sign_in": "leads on whoever has signed in",
    "pins.choose": "leads on whoever is at no shared tablet",
    "pins.pad": "leads on whoever is at no shared tablet",
    "pins.choose_own": "leads on whoever has chosen an own PIN",
    "provider_pages.back": "where an identity provider leads back to",
    "provider_pages.begin": "leads on to an identity provider",
    "provider_pages.sign_out": "leads on to an identity provider",
    "pins.still_here": "says nothing but that a session goes on",
}
