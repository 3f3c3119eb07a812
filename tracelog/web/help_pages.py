"""The help of each page: `templates/help/` holds one file for each template of a page.

It goes with the template and not with the address, so that a form that is shown again with its
faults has its help too.
"""

from typing import Any

from flask import Flask, before_render_template
from jinja2 import Template

FOLDER = "help"


def furnish_help(app: Flask) -> None:
    """Tell each page, before it is rendered, where its help lies (`help_page`)."""
    before_render_template.connect(_name_help, app)


def _name_help(_app: Flask, template: Template, context: dict[str, Any], **_more: Any) -> None:
    context["help_page"] = f"{FOLDER}/{template.name}"
