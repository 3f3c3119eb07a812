"""The Log's page: pad and typed line, what was kept last, and the last entries of all."""

import re
from collections.abc import Sequence
from typing import Any

from flask import render_template
from sqlalchemy.orm import Session

from tracelog.db import new_id
from tracelog.defects.lately import defect_orders
from tracelog.defects.own_last import own_last
from tracelog.defects.pad import read_on_pad
from tracelog.defects.photos.pictures import MOST_BYTES
from tracelog.defects.queries import last_entries, vocabulary
from tracelog.defects.rules import spoken_spellings
from tracelog.language import _, in_words
from tracelog.plant.queries import Directory, directory
from tracelog.reference import stations
from tracelog.web.forms import Form
from tracelog.web.request import current_actor, current_session, house, now

MOST_SHOWN = 20
# The pad's first look: the defects that were logged lately; the rest one tap further.
FIRST_TILES = 12
# So many candidates are offered, the likeliest first.
MOST_OFFERED = 8


def log_pad(pad: Form, typed: Form, scanned: str = "") -> str:
    """The page, with what was tapped or typed so far and what is wrong with it.

    Args:
        pad: the pad's fields.
        typed: those of the typed line.
        scanned: what a scan filled in, in one sentence.
    """
    session = current_session()
    plant = directory(session)
    is_first_look = not (pad.is_faulty or typed.is_faulty or pad.value("show"))
    lines = {str(line): line for line in plant.lines}
    line = lines.get(pad.value("line"))
    orders = defect_orders(session, now())
    kinds = orders.of(line)
    return render_template(
        "defects/log.html",
        pad=Form({"cans": "1", **{k: v for k, v in pad.values.items() if v}}, pad.faults),
        typed=typed,
        pad_id=pad.own_id(),
        typed_id=typed.own_id(),
        lines=sorted({machine.line for machine in plant.bodymakers}),
        machines=[(one.line, one.number) for one in plant.bodymakers],
        numbers=_numbers(plant, pad.value("number")),
        scanned=scanned,
        own=own_last(session, current_actor(), now()) if is_first_look else None,
        again_id=new_id(),
        words=_words(session, plant),
        texts=_texts(),
        first=kinds[:FIRST_TILES],
        further=sorted(kinds[FIRST_TILES:], key=lambda kind: in_words(kind.title)),
        lately={
            text: [kind.defect for kind in orders.of(number)[:FIRST_TILES]]
            for text, number in {**lines, "": None}.items()
        },
        found_at=places_found_at(plant, pad.value("found_at")),
        last=last_entries(session, MOST_SHOWN, line),
        offered=_offered_on_pad(pad),
    )


def _numbers(plant: Directory, chosen: str) -> list[int]:
    """Numbers of bodymakers, those that cans bear instead, and what is chosen, as tiles."""
    borne = {one.code.number for one in plant.overrides if one.holds_at(now())} | {chosen}
    others = {int(text) for text in borne if re.fullmatch(r"[1-9][0-9]{0,2}", text, re.ASCII)}
    return sorted({machine.number for machine in plant.bodymakers} | others)


def _words(session: Session, plant: Directory) -> dict[str, Any]:
    """What the typed line and the scanner know on the page itself, without asking the server."""
    codes = {one.text: str(plant.code_borne(one, now())) for one in plant.bodymakers}
    return {
        "machines": [*codes.values()],
        # Machines whose cans bear other numbers for a while, by the numbers on their labels.
        "borne": {text: code for text, code in codes.items() if text != code},
        "defects": [
            {
                "defect": kind.defect,
                "title": in_words(kind.title),
                "own": kind.word.spellings,
                "also": kind.word.other_spellings,
            }
            for kind in vocabulary(session)
        ],
        "stations": places_found_at(plant),
        "said": {one: names for one in places_found_at(plant) if (names := spoken_spellings(one))},
    }


def _texts() -> dict[str, str]:
    """What the page's scripts say, with `{name}` where they put a value."""
    return {
        "would": _("Logs %(what)s: tap the defect.", what="{what}"),
        "no_code": _("no code"),
        "can": _("%(number)s can", number="{number}"),
        "cans": _("%(number)s cans", number="{number}"),
        "sample": _("%(bad)s of %(inspected)s inspected", bad="{bad}", inspected="{inspected}"),
        "times": _("%(number)s separate happenings", number="{number}"),
        "note": _("note: %(note)s", note="{note}"),
        "picture": _("%(number)s picture", number="{number}"),
        "pictures": _("%(number)s pictures", number="{number}"),
        "remove": _("Leave out picture %(number)s", number="{number}"),
        "large": _(
            "%(name)s has %(size)s MB; at most %(most)d MB are kept, so it is left out.",
            name="{name}",
            size="{size}",
            most=MOST_BYTES // 1024**2,
        ),
        "scanned": _("Scanned: dome code %(code)s.", code="{code}"),
        "missing": _(
            "'%(text)s' cannot be looked up without a network; tap the numbers, or write it under"
            " pallet or coil.",
            text="{text}",
        ),
    }


def places_found_at(plant: Directory, chosen: str = "") -> list[str]:
    """Stations of this plant first, then those of the trade where a can may turn up.

    What is `chosen` is among them, so that the field does not forget it.
    """
    own = {machine.station for machine in plant.machines.values()} | ({chosen} - {""})
    order = {one.station: place for place, one in enumerate(stations())}
    known = sorted(own, key=lambda station: (order.get(station, len(order)), station))
    return [*known, *(one.station for one in stations() if one.station not in own)]


def _offered_on_pad(pad: Form) -> Sequence[Any]:
    """Candidates of a code that is not whole, or doubted, or that was asked about."""
    code = read_on_pad(pad.values)
    unsure = pad.value("unsure") == "yes"
    if code is None or not (pad.value("show") or unsure or "?" in str(code)):
        return ()
    return house().offer_candidates(
        current_session(),
        code,
        now(),
        is_doubted=unsure,
        seen_at=now(),
        found_at=pad.value("found_at") or None,
        pallet=pad.value("pallet") or None,
        coil=pad.value("coil") or None,
        defect=pad.value("defect") or None,
    )[:MOST_OFFERED]
