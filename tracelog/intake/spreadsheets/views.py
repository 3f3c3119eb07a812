"""Pages of spreadsheets: uploading one, and saying how it is read."""

import uuid
from contextlib import closing

from flask import Blueprint, Response, flash, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import Conflict, TracelogError
from tracelog.intake.spreadsheets.actions import (
    allowed_files,
    keep_upload,
    read_as,
    remove_mapping,
    remove_upload,
)
from tracelog.intake.spreadsheets.mapping import Dates, header_of
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.mapping_form import (
    guessed_anew,
    raw_rows,
    sent_mapping,
    word_choices,
)
from tracelog.intake.spreadsheets.queries import (
    UploadView,
    kept_mappings,
    upload,
    upload_row,
    uploads,
)
from tracelog.intake.spreadsheets.sheets import MOST_BYTES, MOST_COLUMNS, MOST_ROWS, Book
from tracelog.intake.spreadsheets.targets import columns_of, file_named, titles
from tracelog.language import _
from tracelog.web.forms import Form
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.security import show_alone

spreadsheet_pages = Blueprint("spreadsheets", __name__)

HERE = "/spreadsheets"


@spreadsheet_pages.get(HERE)
@permit("load spreadsheet")
def spreadsheets_page() -> str:
    """What waits, what is kept for next time, and where to upload one."""
    the_plant_now()
    return _list_page(Form())


def _list_page(form: Form) -> str:
    return render_template(
        "spreadsheets/list.html",
        form=form,
        uploads=uploads(current_session()),
        kept=kept_mappings(current_session()),
        titles=titles(),
        most_megabytes=MOST_BYTES // 2**20,
        most_rows=MOST_ROWS,
        most_columns=MOST_COLUMNS,
    )


@spreadsheet_pages.post(HERE)
@permit("load spreadsheet")
def upload_spreadsheet() -> AnyResponse | tuple[str, int]:
    """Keep an uploaded file and go on to how it is read."""
    the_plant_now()
    sent = request.files.get("file")
    content, name = b"", ""
    if sent is not None:
        with closing(sent):
            # One byte more than is kept tells that it is too large.
            content, name = sent.stream.read(MOST_BYTES + 1), sent.filename or ""
    try:
        kept = keep_upload(current_session(), name, content, current_actor(), now())
    except TracelogError as problem:
        return _list_page(Form().with_problem(problem)), problem.status
    return redirect(f"{HERE}/{kept}", 303)


@spreadsheet_pages.get(HERE + "/<uuid:upload_id>")
@permit("load spreadsheet")
def mapping_page(upload_id: uuid.UUID) -> str:
    """How a spreadsheet is read, as it was guessed, kept or chosen."""
    the_plant_now()
    found, book = upload(current_session(), upload_id)
    return _mapping_page(found, book, found.mapping, Form())


def _mapping_page(found: UploadView, book: Book, mapping: SheetMapping, form: Form) -> str:
    sheet = book.sheet(mapping.sheet)
    columns = columns_of(file_named(mapping.file), current_session())
    return render_template(
        "spreadsheets/mapping.html",
        form=form,
        upload=found,
        mapping=mapping,
        sheets=[one.name for one in book.sheets],
        header=header_of(sheet, mapping.header_first, mapping.header_last),
        raw=raw_rows(book, mapping),
        columns=columns,
        words=word_choices(book, mapping, columns),
        titles={
            name: title
            for name, title in titles().items()
            if name in allowed_files(current_actor().role)
        },
        dates=[
            (Dates.DAY_FIRST.value, _("day first: 29.3.2026")),
            (Dates.MONTH_FIRST.value, _("month first: 3/29/2026")),
            (Dates.SERIAL.value, _("the spreadsheet's numbers of days: 46110.25")),
        ],
    )


@spreadsheet_pages.post(HERE + "/<uuid:upload_id>")
@permit("load spreadsheet")
def keep_reading(upload_id: uuid.UUID) -> AnyResponse | str | tuple[str, int]:
    """Guess the columns anew, or keep the mapping and look at all rows."""
    session = current_session()
    found, book = upload(session, upload_id)
    given = request.form
    columns = columns_of(file_named(given.get("file", "")), session)
    try:
        mapping = sent_mapping(given, book, columns)
    except TracelogError as problem:
        form = Form(given.to_dict()).with_problem(problem)
        return _mapping_page(found, book, found.mapping, form), problem.status
    if given.get("do") == "guess":
        return _mapping_page(found, book, guessed_anew(mapping, book), Form())
    try:
        read_as(
            session,
            upload_id,
            mapping,
            version_of(given.get("version", "")),
            current_actor(),
            now(),
        )
    except Conflict as problem:
        session.rollback()
        found, book = upload(session, upload_id)
        return _mapping_page(found, book, found.mapping, Form().with_problem(problem)), 409
    except TracelogError as problem:
        return _mapping_page(found, book, mapping, Form().with_problem(problem)), problem.status
    return redirect(f"{HERE}/{upload_id}/rows", 303)


def version_of(text: str) -> int:
    """The version that a form was made from; 0, which is none, for anything else."""
    return int(text) if text.isdecimal() and text.isascii() and len(text) < 10 else 0


@spreadsheet_pages.get(HERE + "/<uuid:upload_id>/file")
@permit("load spreadsheet")
def uploaded_file(upload_id: uuid.UUID) -> Response:
    """The file as it was uploaded, to be kept and not to be opened here."""
    row = upload_row(current_session(), upload_id)
    answer = Response(row.content, content_type="application/octet-stream")
    answer.headers.set("Content-Disposition", "attachment", filename=row.name)
    show_alone()
    return answer


@spreadsheet_pages.post(HERE + "/<uuid:upload_id>/remove")
@permit("load spreadsheet")
def remove_spreadsheet(upload_id: uuid.UUID) -> AnyResponse:
    """Remove what is done with."""
    remove_upload(current_session(), upload_id, current_actor(), now())
    flash(_("The spreadsheet is removed; what was taken in from it stays."))
    return redirect(HERE, 303)


@spreadsheet_pages.post(HERE + "/mappings/<uuid:mapping_id>/remove")
@permit("load spreadsheet")
def forget_mapping(mapping_id: uuid.UUID) -> AnyResponse:
    """Forget a mapping."""
    remove_mapping(current_session(), mapping_id, current_actor(), now())
    flash(_("The mapping is removed."))
    return redirect(HERE, 303)
