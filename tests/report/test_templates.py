"""What every template keeps to, also those whose pages are seldom made in tests."""

import re
from importlib.resources import files

import pytest

TEMPLATES = {
    one.name: one.read_text("utf-8")
    for one in (files("beamreduce.report") / "templates").iterdir()
    if one.name.endswith(".html")
}
# Bodies of parts of parts: what stands above them there is a heading of level 3.
PARTS_OF_PARTS = {"measurement.html", "configuration.html"}


@pytest.mark.parametrize("name", sorted(TEMPLATES))
def test_heads_of_tables_say_what_they_head(name):
    heads = re.findall(r"<th\b[^>]*>", TEMPLATES[name])
    assert [head for head in heads if not re.search(r'scope="(row|col)"', head)] == []


@pytest.mark.parametrize("name", sorted(TEMPLATES))
def test_wide_tables_scroll_by_themselves(name):
    """A table in no region of its own makes the whole page wider than a narrow window."""
    depth, text = 0, TEMPLATES[name]
    for found in re.finditer(r"\{% call \S*wide\(|\{% endcall %\}|<table", text):
        depth += {"{% e": -1, "{% c": 1}.get(found[0][:4], 0)
        if found[0] == "<table":
            assert depth == 1, text[found.start() : found.start() + 200]


@pytest.mark.parametrize("name", sorted(TEMPLATES))
def test_no_level_of_headings_is_left_out(name):
    levels = {int(level) for level in re.findall(r"<h(\d)", TEMPLATES[name])}
    if name != "page.html":
        assert levels <= ({4} if name in PARTS_OF_PARTS else {3})
