"""Tables as files to be saved."""

import re

from flask import Response

from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.web.sheets import CSV_TYPE, XLSX_TYPE, Sheet, as_csv, as_xlsx

# What could end the name in its header, or mean another folder.
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")


def demand_kind(kind: str) -> None:
    """Refuse an ending that no table is saved with.

    Raises:
        NotFound: it is neither ``csv`` nor ``xlsx``.
    """
    if kind not in ("csv", "xlsx"):
        raise NotFound(_("tables are saved as .csv or .xlsx, not .%(kind)s", kind=kind[:20]))


def sheet_file(sheet: Sheet, name: str, kind: str) -> Response:
    """A table as a file to be saved.

    Args:
        sheet: the table.
        name: of the file, without its ending.
        kind: ``csv`` or ``xlsx``, which is its ending.
    """
    made = (
        Response(as_csv(sheet), content_type=CSV_TYPE)
        if kind == "csv"
        else Response(as_xlsx(sheet), content_type=XLSX_TYPE)
    )
    plain = _UNSAFE.sub("-", name)
    made.headers["Content-Disposition"] = f'attachment; filename="{plain}.{kind}"'
    return made
