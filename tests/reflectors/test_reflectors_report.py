"""The page of a run: it opens offline and says what stands out."""

import re

import numpy as np
import pytest

from beamreduce.reduction.reflectors_run import grade_reflectors
from tests.reflectors.folders import make_folder, rows_of


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    place = tmp_path_factory.mktemp("page")
    rows = list(rows_of())
    rows[0] = {**rows[0][0]}, np.full((48, 48), np.nan)
    settings = make_folder(place / "plain").joinpath("reflectors.toml").read_text()
    name = settings.replace("energies", 'name = "A <b>name</b>"\nenergies', 1)
    done = grade_reflectors(
        make_folder(place / "in", rows=rows, settings=name), place / "out"
    )
    return (done.folder / "report.html").read_text()


def test_it_opens_offline_and_escapes_what_it_is_given(page):
    outside = re.findall(r"(?:src|href)=\"(?!data:|#)[^\"]*", page)
    assert outside == []
    assert "http" not in re.sub(r"data:[^\"]*", "", page).replace("http://www.w3.org", "")
    assert "A &lt;b&gt;name&lt;/b&gt;" in page
    assert page.count('<img src="data:image/') >= 4


def test_it_says_what_stands_out(page):
    assert "maps that give no numbers: P1a" in page
    assert "slots stay empty" in page
    assert "qualified staff" in page.replace("\n", " ")


def test_every_part_is_in_the_contents(page):
    for anchor in ("summary", "process", "surfaces", "plan", "orders", "rejects", "blanks"):
        assert f'href="#{anchor}"' in page
        assert f'id="{anchor}"' in page
