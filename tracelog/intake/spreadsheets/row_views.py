"""Pages of a spreadsheet's rows: the preview, bad rows put right in place, taking them in."""

import uuid

from flask import Blueprint, flash, redirect, render_template, request
from werkzeug.wrappers import Response

from tracelog.errors import TracelogError
from tracelog.intake.spreadsheets.actions import fix_rows, keep_mapping, take_in
from tracelog.intake.spreadsheets.queries import UploadView, upload
from tracelog.intake.spreadsheets.taking import BadRow
from tracelog.intake.spreadsheets.targets import file_named, labels, titles
from tracelog.intake.spreadsheets.views import HERE, version_of
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

row_pages = Blueprint("spreadsheet_rows", __name__)

ROWS_AT_ONCE = 25


@row_pages.get(HERE + "/<uuid:upload_id>/rows")
@permit("load spreadsheet")
def rows_page(upload_id: uuid.UUID) -> Response | str:
    """What a look at all rows found; before there was one, how the sheet is read."""
    found, _book = upload(current_session(), upload_id)
    if found.found is None:
        return redirect(f"{HERE}/{upload_id}", 303)
    return _page(found, Form())


def _page(found: UploadView, form: Form) -> str:
    looked = found.found
    assert looked is not None  # noqa: S101 - a page without a look leads to the mapping
    pages = max(1, -(-len(looked.bad) // ROWS_AT_ONCE))
    page = min(max(1, version_of(request.args.get("page", "1"))), pages)
    shown = looked.bad[(page - 1) * ROWS_AT_ONCE : page * ROWS_AT_ONCE]
    here = f"{HERE}/{found.id}/rows"
    return render_template(
        "spreadsheets/rows.html",
        form=form,
        upload=found,
        looked=looked,
        title_of=titles().get(found.mapping.file, found.mapping.file),
        labels=labels(),
        columns=_columns(found, shown),
        bad=shown,
        page=page,
        pages=pages,
        earlier=f"{here}?page={page - 1}" if page > 1 else None,
        later=f"{here}?page={page + 1}" if page < pages else None,
        words=_became_words(),
    )


def _became_words() -> list[tuple[str, str]]:
    return [
        (Became.CREATED.value, _("new")),
        (Became.UNCHANGED.value, _("unchanged, on record already")),
        (Became.COMPLETED.value, _("completed")),
        (Became.CHANGED.value, _("changed")),
        (Became.REFUSED.value, _("not right yet")),
    ]


def _columns(found: UploadView, shown: list[BadRow]) -> list[str]:
    """Chosen columns, and others of the file at which something is wrong."""
    chosen = found.found.columns if found.found else []
    told = {field for row in shown for field, _sentence in row.faults}
    file = file_named(found.mapping.file)
    return [name for name in file.columns if name in chosen or name in told]


@row_pages.post(HERE + "/<uuid:upload_id>/fixes")
@permit("load spreadsheet")
def put_right(upload_id: uuid.UUID) -> Response | tuple[str, int]:
    """Keep cells that were put right beside the upload, and look at all rows again."""
    found, _book = upload(current_session(), upload_id)
    bad = {row.row: row for row in (found.found.bad if found.found else [])}
    fixes: dict[int, dict[str, str] | None] = {}
    for text in request.form.getlist("row"):
        row = bad.get(version_of(text))
        if row is None:
            continue
        if request.form.get(f"leave-{row.row}") == "yes":
            fixes[row.row] = None
            continue
        cells = _typed(row, file_named(found.mapping.file).columns)
        if cells:
            fixes[row.row] = _with_earlier(found, row, cells)
    if not fixes:
        flash(_("No cell was changed."))
        return redirect(f"{HERE}/{upload_id}/rows", 303)
    try:
        looked = fix_rows(
            current_session(),
            upload_id,
            fixes,
            version_of(request.form.get("version", "")),
            current_actor(),
            now(),
        )
    except TracelogError as problem:
        return _refused(upload_id, problem)
    flash(_("All rows were looked at again: %(count)d are not right yet.", count=len(looked.bad)))
    return redirect(f"{HERE}/{upload_id}/rows", 303)


def _typed(row: BadRow, columns: tuple[str, ...]) -> dict[str, str]:
    """The cells of a row that are not what the page showed."""
    cells = {}
    for column in columns:
        text = request.form.get(f"cell-{row.row}-{column}")
        if text is not None and text.strip() != row.cells.get(column, ""):
            cells[column] = text.strip()
    return cells


def _with_earlier(found: UploadView, row: BadRow, cells: dict[str, str]) -> dict[str, str]:
    earlier = found.fixes.get(row.row) or {}
    return {**earlier, **cells}


@row_pages.post(HERE + "/<uuid:upload_id>/take")
@permit("load spreadsheet")
def take_rows_in(upload_id: uuid.UUID) -> Response | tuple[str, int]:
    """Take in all rows, or the good ones while the others stay here."""
    try:
        looked = take_in(
            current_session(),
            upload_id,
            version_of(request.form.get("version", "")),
            current_actor(),
            now(),
            keep_good=request.form.get("do") == "good",
        )
    except TracelogError as problem:
        return _refused(upload_id, problem)
    flash(
        _(
            "Taken in: %(new)d rows are new or complete what was on record; %(same)d were there"
            " already.",
            new=looked.new,
            same=looked.good - looked.new,
        )
    )
    return redirect(f"{HERE}/{upload_id}/rows", 303)


@row_pages.post(HERE + "/<uuid:upload_id>/mapping")
@permit("load spreadsheet")
def name_mapping(upload_id: uuid.UUID) -> Response | tuple[str, int]:
    """Keep how it is read for next time."""
    form = posted(("name",))
    try:
        keep_mapping(current_session(), upload_id, form.value("name"), current_actor(), now())
    except TracelogError as problem:
        found, _book = upload(current_session(), upload_id)
        return _page(found, form.with_problem(problem)), problem.status
    flash(_("Kept: sheets with these columns are read like this from now on."))
    return redirect(f"{HERE}/{upload_id}/rows", 303)


def _refused(upload_id: uuid.UUID, problem: TracelogError) -> tuple[str, int]:
    """The page as it stands now, with what was refused; nothing of the request is kept."""
    current_session().rollback()
    found, _book = upload(current_session(), upload_id)
    return _page(found, Form().with_problem(problem)), problem.status
