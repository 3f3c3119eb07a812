"""The documented answer about a name that was erased."""

from typing import Any

from tracelog.keeping.erasing.actions import Erased


def erased_answer(done: Erased) -> dict[str, Any]:
    """The pseudonym, how many rows and records were changed, and where the name still stands."""
    return {
        "status": "erased",
        "person": done.pseudonym,
        "rows": done.rows,
        "records": done.records,
        "left": [
            {"table": one.table, "column": one.column, "rows": one.rows, "keys": list(one.keys)}
            for one in done.left
        ],
    }
