"""The shell of every page: its look, its contents, pictures inside the file itself.

A page has no address outside itself: style and pictures are in the file. Everything that
comes from files goes through templates, which escape it.
"""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

_KINDS = {".png": "image/png", ".svg": "image/svg+xml"}


@dataclass(frozen=True, kw_only=True)
class Section:
    """One part of a page, with its place in the contents.

    Parameters
    ----------
    anchor
        Where links to it lead; unique in the page.
    title
        Heading, plain text.
    body
        What stands below the heading, HTML.
    level
        1 for a part of the page, 2 for a part of the part before it.
    """

    anchor: str
    title: str
    body: Markup
    level: int = 1


@lru_cache(maxsize=1)
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("beamreduce.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(template: str, content: Mapping[str, object]) -> Markup:
    """Fill one of the templates; text is escaped, unless it is HTML made here."""
    return Markup(_templates().get_template(template).render(content))


def render_page(
    title: str, subtitle: str, sections: Sequence[Section], *, version: str
) -> str:
    """Return a whole page.

    Parameters
    ----------
    title, subtitle
        Of the page, plain text.
    sections
        In order; each gets a heading and a line in the contents.
    version
        Of the package that made the results.
    """
    content = {
        "title": title,
        "subtitle": subtitle,
        "sections": sections,
        "version": version,
    }
    return str(render("page.html", content))


def picture(path: Path, alt: str) -> Markup | None:
    """Return a figure as an image inside the page; None where there is no such file.

    The smaller of the PNG and the SVG of that name: drawings print sharp, and pictures of
    many pixels stay small.

    Parameters
    ----------
    path
        The figure, without its ending.
    alt
        What it shows, for those who do not see it.
    """
    found = [path.with_name(path.name + end) for end in _KINDS]
    found = [one for one in found if one.is_file()]
    if not found:
        return None
    least = min(found, key=lambda one: one.stat().st_size)
    data = b64encode(least.read_bytes()).decode("ascii")
    source = f"data:{_KINDS[least.suffix]};base64,{data}"
    return Markup('<img src="{}" alt="{}">').format(Markup(source), escape(alt))
