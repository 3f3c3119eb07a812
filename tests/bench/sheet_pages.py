"""An uploaded spreadsheet for the bench: how it is read, its rows, and the file itself."""

import io

from tests.support.markup import form_on
from tests.support.site import Visit

HERE = "/spreadsheets"
# Columns as somebody named them, in another language than the program's. The last row names no
# line of the plant, so that the page of the rows has something to put right.
HEADER = ("Fecha", "Linea", "Formadora", "Defecto", "Latas")
_SHEET = """{header}
2026-03-02 06:15,1,2,{defect},2
2026-03-02 07:15,1,3,{defect},1
2026-03-02 08:15,99,1,{defect},1
"""


def sheet_addresses(visit: Visit, defect: str) -> dict[str, str]:
    """Upload a list of entries and look at its rows; the addresses that it then has.

    Args:
        visit: of somebody who may load spreadsheets.
        defect: code of a kind of defect.
    """
    visit.get(HERE)
    sent = io.BytesIO(_SHEET.format(header=",".join(HEADER), defect=defect).encode())
    path = visit.post(HERE, file=(sent, "bench.csv")).location
    if path is None:
        raise LookupError("the spreadsheet was not kept")
    read = visit.post(path, **{**form_on(visit.get(path).text, path), "do": "keep"})
    if read.status_code != 303:
        raise LookupError(f"how the spreadsheet is read was answered {read.status}")
    return {
        "Spreadsheet: how it is read": path,
        "Spreadsheet: its rows": f"{path}/rows",
        "Spreadsheet: the file": f"{path}/file",
    }
