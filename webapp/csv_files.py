"""Lists as CSV downloads: with a byte order mark, so that spreadsheets read their letters right."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from flask import Response

__all__ = ["csv_answer", "plain_cell"]


def csv_answer(name: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> Response:
    """The rows as a file of this name, sent as they come.

    The request is over by then: rows that are still to be read bring a session of their own.
    """
    answer = Response(_lines(head, rows), mimetype="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def plain_cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _lines(head: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    out.write("\ufeff")
    writer.writerow(head)
    for row in rows:
        writer.writerow(row)
        yield out.getvalue()
        out.seek(0)
        out.truncate()
    yield out.getvalue()
