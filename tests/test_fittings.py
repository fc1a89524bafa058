"""The catalog: rows read, rows refused with a remedy, rows found by name; pipes against ASME B36.10M."""

from __future__ import annotations

import math

import pytest
from fluids.piping import nearest_pipe

from calibration.fittings import (
    CatalogError,
    Fitting,
    UnknownFitting,
    demo_catalog,
    find_fitting,
    parse_catalog,
)

GOOD = {
    "id": '"a-2"', "nominal_size": '"2"', "unit": '"in"', "collar_od": "2.72", "pipe_od": "2.375",
    "mark_depth": "1.125", "max_gap": "0.0625", "source": '"calipers, 4 May"',
}


def toml(*rows: dict[str, str]) -> str:
    return "\n".join("\n".join(["[[fitting]]", *(f"{key} = {value}" for key, value in row.items())])
                     for row in rows)


def one(**changes: str) -> Fitting:
    return parse_catalog(toml(GOOD | changes), "c.toml")[0]


def test_a_row_in_inches_is_used_in_millimetres() -> None:
    row = one(collar_od_tolerance="0.005", mark_tolerance="0.03", min_insertion="1.0")
    assert row.collar_od_mm == pytest.approx(69.088)
    assert row.pipe_od_mm == pytest.approx(60.325)
    assert row.mark_depth_mm == pytest.approx(28.575)
    assert row.max_gap_mm == pytest.approx(1.5875)
    assert row.collar_od_tolerance_mm == pytest.approx(0.127)
    assert row.pipe_od_tolerance_mm == pytest.approx(0.60325)  # none is stated: 1 %
    assert one(pipe_od_tolerance="0").pipe_od_tolerance_mm == 0.0
    assert row.mark_tolerance_mm == pytest.approx(0.762)
    assert row.min_insertion_mm == pytest.approx(25.4)


def test_what_a_row_does_not_say_stays_unsaid() -> None:
    row = one()
    assert row.mark_tolerance_mm is None
    assert row.min_insertion_mm is None
    assert not row.is_demo


@pytest.mark.parametrize(("changes", "key", "words"), [
    ({"colar_od": "2.7"}, "colar_od", "Did you mean 'collar_od'"),
    ({"is_demo": "true"}, "is_demo", "no such key"),
    ({"pipe_od": "2.9"}, "pipe_od", "swapped"),
    ({"collar_od": "6.0"}, "collar_od", "twice as wide"),
    ({"collar_od": "nan"}, "collar_od", "finite"),
    ({"collar_od": "inf"}, "collar_od", "finite"),
    ({"collar_od": "-2.7"}, "collar_od", "greater than 0"),
    ({"collar_od": '"2.7"'}, "collar_od", "without quotes"),
    ({"collar_od": "true"}, "collar_od", "plain number"),
    ({"nominal_size": "2"}, "nominal_size", 'nominal_size = "2"'),
    ({"unit": '"inch"'}, "unit", 'unit = "in"'),
    ({"collar_od": "69.1", "pipe_od": "60.3"}, "pipe_od", 'unit = "mm"'),
    ({"unit": '"mm"'}, "collar_od", 'unit = "in"'),
    ({"mark_depth": "28.6"}, "mark_depth", 'unit = "mm"'),
    ({"max_gap": "1.125"}, "max_gap", "every joint would pass"),
    ({"max_gap": "0"}, "max_gap", "greater than 0"),
    ({"collar_od_tolerance": "0.5"}, "collar_od_tolerance", "half width"),
    ({"min_insertion": "1.3"}, "min_insertion", "deeper"),
    ({"source": '"  "'}, "source", "calipers"),
    ({"id": '""'}, "id", "Correct"),
])
def test_a_bad_row_is_refused_with_file_row_key_and_remedy(
        changes: dict[str, str], key: str, words: str) -> None:
    with pytest.raises(CatalogError) as caught:
        parse_catalog(toml({**GOOD, "id": '"fine"'}, GOOD | changes), "my.toml")
    assert "my.toml: row 2" in str(caught.value)
    assert f"key '{key}'" in str(caught.value)
    assert words in str(caught.value)


@pytest.mark.parametrize("key", ["source", "collar_od", "unit", "id"])
def test_a_missing_key_is_named(key: str) -> None:
    row = {name: value for name, value in GOOD.items() if name != key}
    with pytest.raises(CatalogError, match=f"key '{key}': It is missing"):
        parse_catalog(toml(row), "my.toml")


def test_all_problems_are_told_at_once() -> None:
    with pytest.raises(CatalogError) as caught:
        parse_catalog(toml(GOOD, GOOD, GOOD | {"id": '"b"', "pipe_od": "9", "sauce": "1"}), "my.toml")
    assert "already the id of row 1" in str(caught.value)
    assert [problem.row for problem in caught.value.problems] == [2, 3]


@pytest.mark.parametrize(("text", "words"), [
    ("", "no rows"),
    ("[[fitting]\nid=", "not valid TOML"),
    ("[fitting]\nid = 'a'", "two brackets"),
    ("fitting = 3", "two brackets"),
    ("fitting = ['a']", "two brackets"),
    ("[[fittings]]\nid = 'a'", r"\[\[fitting\]\]"),
    ("title = 'x'", "nothing but"),
])
def test_a_file_that_is_no_catalog_is_refused(text: str, words: str) -> None:
    with pytest.raises(CatalogError, match=words):
        parse_catalog(text, "my.toml")


@pytest.mark.parametrize("name", ["a-2", "2", "2 in", '2"', "2.0", "2 inch", " 2 ", "NPS 2"])
def test_a_fitting_answers_to_its_id_and_its_size(name: str) -> None:
    catalog = parse_catalog(toml(GOOD, GOOD | {"id": '"b"', "nominal_size": '"1-1/2"'}), "c.toml")
    assert find_fitting(catalog, name).id == "a-2"


@pytest.mark.parametrize("name", ["1-1/2", "1 1/2", "1.5", "1½", "1-1/2 in", '1-1/2"'])
def test_fractions_are_understood(name: str) -> None:
    assert find_fitting(demo_catalog(), name).id == "demo-1.5"


@pytest.mark.parametrize(("name", "words"), [
    ("2", "More than one fitting"),
    ("2 mm", "No fitting is called"),
    ("a-3", "Did you mean a-2"),
    ("1/0", "No fitting"),
    ("", "No fitting"),
    ("zzz", r"The catalog has: a-2 \(2\), b \(2\)"),
])
def test_a_name_that_names_no_one_row_raises(name: str, words: str) -> None:
    catalog = parse_catalog(toml(GOOD, GOOD | {"id": '"b"'}), "c.toml")
    with pytest.raises(UnknownFitting, match=words):
        find_fitting(catalog, name)


def test_demo_rows_say_that_they_are_and_who_chose_the_limit() -> None:
    for row in demo_catalog():
        assert row.is_demo
        assert "invented" in row.source
        assert "no source" in row.source
        assert "own choice" in row.notes


@pytest.mark.parametrize(("size", "nps"), [("1-1/2", 1.5), ("2", 2.0), ("3", 3.0)])
def test_demo_pipes_have_the_diameters_of_asme_b36_10m(size: str, nps: float) -> None:
    """`fluids` cites ASME B36.10M-2004 (its millimetres rounded to 0.1) and ASTM D1785 (unrounded)."""
    pipe = find_fitting(demo_catalog(), size)
    rounded_mm = nearest_pipe(NPS=nps, schedule="40")[2] * 1000
    exact_mm = nearest_pipe(NPS=nps, schedule="40D1785")[2] * 1000
    assert math.isclose(pipe.pipe_od_mm, rounded_mm, abs_tol=0.05)
    assert math.isclose(pipe.pipe_od_mm, exact_mm, abs_tol=1e-6)
