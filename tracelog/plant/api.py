"""The API's calls for tools, coils, pallets and changes."""

from flask import Blueprint, Response

from tracelog.plant.actions import record_changes
from tracelog.plant.facts import (
    ChangeFact,
    CoilFact,
    CoilRunFact,
    PalletFact,
    ToolFact,
    ToolFitFact,
)
from tracelog.plant.stock_actions import record_coil_runs, record_coils, record_pallets
from tracelog.plant.tool_actions import record_tool_fits, record_tool_works, record_tools
from tracelog.plant.tool_facts import ToolWorkFact
from tracelog.web.collections import take
from tracelog.web.request import permit
from tracelog.web.shapes import collection, described

plant_api = Blueprint("plant_api", __name__, url_prefix="/api/v1")


@plant_api.post("/changes")
@permit("record change")
@described(collection(ChangeFact, "Record what was deliberately altered on a line or a machine."))
def post_changes() -> Response:
    """Record one change or many."""
    return take(ChangeFact, record_changes)


@plant_api.post("/tools")
@permit("record tool change")
@described(collection(ToolFact, "Enter tools by their serials, or say more about known ones."))
def post_tools() -> Response:
    """Enter one tool or many."""
    return take(ToolFact, record_tools)


@plant_api.post("/tool-fits")
@permit("record tool change")
@described(collection(ToolFitFact, "Record where a tool was fitted, and when it was removed."))
def post_tool_fits() -> Response:
    """Record one fit or many; send it again with its end once that is known."""
    return take(ToolFitFact, record_tool_fits)


@plant_api.post("/tool-works")
@permit("record tool change")
@described(
    collection(ToolWorkFact, "Record what was done to tools, or what their cards say of strokes.")
)
def post_tool_works() -> Response:
    """Record one work or many."""
    return take(ToolWorkFact, record_tool_works)


@plant_api.post("/coils")
@permit("record coil run")
@described(collection(CoilFact, "Enter coils by their numbers, or say more about known ones."))
def post_coils() -> Response:
    """Enter one coil or many."""
    return take(CoilFact, record_coils)


@plant_api.post("/coil-runs")
@permit("record coil run")
@described(collection(CoilRunFact, "Record when a coil was on a line."))
def post_coil_runs() -> Response:
    """Record one coil run or many; send it again with its end once that is known."""
    return take(CoilRunFact, record_coil_runs)


@plant_api.post("/pallets")
@permit("record pallet")
@described(collection(PalletFact, "Record pallets and when they were filled."))
def post_pallets() -> Response:
    """Record one pallet or many; send it again with what was not known before."""
    return take(PalletFact, record_pallets)
