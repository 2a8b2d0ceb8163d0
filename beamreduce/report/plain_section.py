"""A part of a page made of sentences, tables and figures, whatever it is about."""

from collections.abc import Sequence

from beamreduce.report.page import Section, render

_MOST_ROWS = 40


def plain_section(anchor: str, title: str, **content: object) -> Section:
    """Return a part of a page: texts, then what to look at, tables and figures.

    Parameters
    ----------
    anchor, title
        Of the part.
    content
        ``texts``, ``looks``, ``fines``, ``tables`` (see :func:`grid`), ``figures``,
        ``with_caution``; what is not given is left out.
    """
    empty = {"texts": [], "looks": [], "fines": [], "tables": [], "figures": [],
             "with_caution": False}  # fmt: skip
    body = render("plain.html", {**empty, **content})
    return Section(anchor=anchor, title=title, body=body)


def grid(
    caption: str, head: Sequence[str], rows: Sequence[Sequence[object]], file: str = ""
) -> dict[str, object]:
    """Return a table for the template; numbers are set to the right."""
    shown = [[_text(cell) for cell in row] for row in rows[:_MOST_ROWS]]
    numbers = [
        i
        for i in range(1, len(head))
        if rows and all(isinstance(row[i], int | float) or row[i] is None for row in rows)
    ]
    left = len(rows) - len(shown)
    more = f"{left} more in {file}" if left > 0 else ""
    return {"caption": caption, "head": head, "rows": shown, "numbers": numbers,
            "more": more}  # fmt: skip


def _text(cell: object) -> str:
    if cell is None:
        return "–"
    if isinstance(cell, float):
        # Lengths to cut by need more digits than four, numbers of surfaces do not.
        return f"{cell:.2f}" if abs(cell) >= 100 else f"{cell:.4g}"
    return str(cell)
