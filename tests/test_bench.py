"""What the tools of tests/bench promise: exponents, plots, corpora, every row of the suite, and errors that are seen.

No test here asserts on a time: the tiny runs show that every row is there, not what it says.
"""

from __future__ import annotations

import gc
import json
import math
import re
from collections.abc import Callable
from contextlib import redirect_stdout
from datetime import date
from io import StringIO
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import pytest

from decoder import decode
from decoder.service import create_app
from decoder.tables import Tables, shipped
from tests.bench import __main__ as command
from tests.bench import corpora, figure, fitting, growth, made_tables, passes, record, soak, suite

SVG = "{http://www.w3.org/2000/svg}"
SIZES = [1, 3, 10, 30, 100, 300]


# --- exponents


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0, 2.0])
def test_the_exponent_of_a_power_is_that_power(power: float) -> None:
    assert fitting.exponent(SIZES, [7 * n**power for n in SIZES]) == pytest.approx(power)


def test_a_cost_of_n_log_n_is_within_the_budget_and_a_steeper_one_is_not() -> None:
    assert fitting.within(SIZES, [n * math.log2(2 * n) for n in SIZES])
    assert fitting.within(SIZES, [5.0 for _ in SIZES])
    assert not fitting.within(SIZES, [n**1.6 for n in SIZES])


def test_a_square_behind_a_constant_is_found_at_the_end() -> None:
    sizes = [1, 10, 100, 1_000]
    costs = [1_000 + n * n for n in sizes]
    assert fitting.exponent(sizes, costs) < fitting.n_log_n(sizes)
    assert not fitting.within(sizes, costs)


@pytest.mark.parametrize(("sizes", "costs"), [([5], [1.0]), ([1, 2], [1.0, 0.0]), ([0, 2], [1.0, 1.0])])
def test_an_exponent_that_can_t_be_told_is_refused(sizes: list[float], costs: list[float]) -> None:
    with pytest.raises(ValueError, match="exponent"):
        fitting.exponent(sizes, costs)


def test_the_factor_of_each_character_is_found() -> None:
    assert fitting.factor_each([0, 1, 2, 3], [3.0, 6.0, 12.0, 24.0]) == pytest.approx(2.0)


# --- figures


def lines(count: int) -> list[figure.Line]:
    return [
        figure.Line(f"line & {n}", [(x, (n + 1) * x**1.5 / 1e6) for x in (1, 10, 100)]) for n in range(count)
    ]


@pytest.mark.parametrize("log", [True, False])
def test_a_plot_is_svg_in_black_and_white_with_title_units_and_every_line(log: bool) -> None:
    axes = figure.Axis("parts of a sheet", log), figure.Axis("seconds a check", log)
    text = figure.svg("cost & size", *axes, lines(9))
    root = ElementTree.fromstring(text)
    said = ["".join(t.itertext()) for t in root.iter(f"{SVG}text")]
    assert root.find(f"{SVG}title").text == "cost & size"
    assert {"parts of a sheet", "seconds a check", *(f"line & {n}" for n in range(9))} <= set(said)
    drawn = [path for path in root.iter(f"{SVG}path") if path.get("class") == "line"]
    looks = {(path.get("stroke-dasharray"), path.get("d")) for path in drawn}
    assert len(drawn) == len(looks) == 2 * 9  # in the plot and in the key
    colours = {e.get(name) for e in root.iter() for name in ("fill", "stroke")} - {None, "none"}
    assert colours <= {"black", "white"}
    assert "href" not in text and "<style" not in text


@pytest.mark.parametrize("log", [True, False])
def test_every_point_lies_in_the_plot(log: bool) -> None:
    text = figure.svg("t", figure.Axis("x", log), figure.Axis("y", log), lines(3))
    for path in ElementTree.fromstring(text).iter(f"{SVG}path"):
        if path.get("class") == "line":
            points = re.findall(r"(-?[\d.]+) (-?[\d.]+)", path.get("d"))
            assert all(0 <= float(x) <= figure.WIDTH and 0 <= float(y) <= figure.HEIGHT for x, y in points)


@pytest.mark.parametrize(
    ("values", "log", "expected"),
    [
        ([1, 100], True, [1, 2, 5, 10, 20, 50, 100]),
        ([3e-4, 2.0], True, [1e-4, 1e-3, 1e-2, 0.1, 1, 10]),
        ([0, 12], False, [0, 2, 4, 6, 8, 10, 12]),
        ([5, 5], False, [5, 6]),
    ],
)
def test_ticks_are_round_and_span_the_values(values: list[float], log: bool, expected: list[float]) -> None:
    assert figure.ticks(values, log) == pytest.approx(expected)


def test_nothing_can_t_be_plotted_nor_nought_on_a_logarithmic_axis() -> None:
    with pytest.raises(ValueError, match="at least one point"):
        figure.svg("t", figure.Axis("x"), figure.Axis("y"), [])
    with pytest.raises(ValueError, match="logarithmic"):
        figure.svg("t", figure.Axis("x"), figure.Axis("y", log=True), [figure.Line("a", [(1, 0)])])


# --- corpora

SHAPES = (*corpora.KIND_GIVEN, *corpora.NOTHING_GIVEN, *corpora.WORN, *corpora.NEAR_MISSES)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.id)
def test_a_corpus_holds_no_marking_twice_and_comes_out_the_same(shape: corpora.Shape) -> None:
    found = corpora.drawn(shape.draw, 120, "test")
    assert len(set(found)) == len(found) == 120
    assert found == corpora.drawn(shape.draw, 120, "test")
    assert found != corpora.drawn(shape.draw, 120, "another")
    assert found != sorted(found)


@pytest.mark.parametrize("name", ["valve", "worn-8", "pot-6"])
def test_the_narrowest_shapes_hold_enough_for_a_pass(name: str) -> None:
    shape = next(shape for shape in SHAPES if shape.id == name)
    assert len(corpora.drawn(shape.draw, suite.Plan().markings)) == suite.Plan().markings >= 5_000


@pytest.mark.parametrize("shape", corpora.KIND_GIVEN, ids=lambda shape: shape.id)
def test_clear_markings_are_mostly_read(shape: corpora.Shape) -> None:
    found = corpora.drawn(shape.draw, 40, "read")
    read = sum(decode(text, **shape.given).status == "read" for text in found)
    assert read >= 25


def test_a_worn_marking_lacks_as_many_characters_as_asked() -> None:
    for unknown in range(8):
        worn = corpora.worn("6151499 - 430", unknown, Random(unknown))
        assert worn.count("?") == unknown and len(worn) == 13
        assert all(a in (b, "?") for a, b in zip(worn, "6151499 - 430", strict=True))


def test_a_part_of_a_corpus_is_another_one_until_it_is_used_up() -> None:
    items = list(range(10))
    assert [list(passes.part_of(items, 4, n)) for n in range(3)] == [[0, 1, 2, 3], [4, 5, 6, 7], [0, 1, 2, 3]]
    assert list(passes.part_of([1], 4, 3)) == [1]


def test_the_floor_reads_source_and_week() -> None:
    holder, window = suite.floor()("137-6612")
    assert "CTS" in holder
    assert window.earliest_date <= date(1966, 3, 21) <= window.latest_date
    assert suite.floor()("137-66?2") is None


def test_reading_gives_what_decoding_gives() -> None:
    shape = corpora.KIND_GIVEN[1]
    assert suite.read_of(shape)("137-6612").as_dict() == suite.as_dict_of(shape)("137-6612")


def test_the_lines_of_a_bulk_run_are_all_different() -> None:
    found = {json.loads(suite.bulk_line(number))["marking"] for number in range(50_000)}
    assert len(found) == 50_000
    assert all(decode(text, part="potentiometer").readings for text in sorted(found)[::5_000])


# --- rows


def test_each_item_is_asked_once_for_the_slowest_and_garbage_is_collected_again() -> None:
    asked: list[int] = []
    assert passes.slowest(asked.append, range(9)) > 0
    assert asked == [*range(9)] and gc.isenabled()
    with pytest.raises(ZeroDivisionError):
        passes.slowest(lambda item: 1 / item, [0])
    assert gc.isenabled()


def test_a_budget_is_held_against_the_figure_that_it_names() -> None:
    def row(**more: Any) -> record.Row:
        return record.Row("a", "g", "t", "s", [0.2, 0.1, 0.3], **more)

    assert row().met is None and row().budget == ""
    assert row(most=0.21).met and not row(most=0.2).met
    assert row(ratio=3.0, judged="ratio", most=5.0).met
    assert not row(ratio=0.69, judged="ratio", least=0.7).met
    assert not row(judged="slowest", most=0.01, more={"slowest": 0.02}).met


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [(1.5e-5, "s", "15.0 µs"), (0.0123, "s", "12.3 ms"), (2.0, "s", "2.00 s"), (5_367, "/s", "5,367 /s")],
)
def test_figures_are_shown_with_three_digits(value: float, unit: str, expected: str) -> None:
    assert record.shown(value, unit) == expected


def test_a_block_takes_the_place_of_the_one_with_its_heading(tmp_path: Path) -> None:
    file = tmp_path / "README.md"
    old = "# Figures\n\n### One\n\n```text\nold\n```\n\nWords.\n\n### Two\n\n```text\nkept\n```\n"
    file.write_text(old, encoding="utf-8")
    record.put_into(file, "One", "### One\n\n```text\nnew \\1\n```")
    assert file.read_text(encoding="utf-8") == old.replace("old", "new \\1")
    with pytest.raises(ValueError, match="Three"):
        record.put_into(file, "Three", "")


def test_the_readme_has_a_place_for_each_block() -> None:
    text = (Path(record.__file__).parent / "README.md").read_text(encoding="utf-8")
    for title in ("The suite", "How cost grows", "Under load"):
        assert text.count(f"\n### {title}\n\n```text\ndate ") == 1


def ran(main: Callable[[list[str]], int], *arguments: str) -> str:
    said = StringIO()
    with redirect_stdout(said):
        assert main(list(arguments)) == 0
    return said.getvalue()


def test_a_tiny_run_of_the_suite_yields_every_row(tmp_path: Path) -> None:
    target = tmp_path / "bench.json"
    pyperf = tmp_path / "pyperf.json"
    said = ran(command.main, "--tiny", "--without", "http,bulk", "-o", str(target), "--pyperf", str(pyperf))
    found = json.loads(target.read_text(encoding="utf-8"))
    rows = {row["id"]: row for row in found["rows"]}
    for shape in SHAPES:
        for mode in ("decode", "read", "as_dict"):
            assert rows[f"{shape.id}-{mode}"]["ratio"] > 0
    for shape in (*corpora.KIND_GIVEN, *corpora.NOTHING_GIVEN):
        assert rows[f"{shape.id}-later"]["judged"] == "ratio"
    assert {
        "dateutil-iso",
        "dateutil-words",
        "dateutil-dots",
        "phonenumbers",
        "isbn",
        "edtf",
        "floor",
    } <= set(rows)
    assert {"check-24", "check-24-estimate", "import", "first-use", "cold", "load", "memory-tables"} <= set(
        rows
    )
    assert all(row["value"] > 0 and row["p95"] >= row["p50"] > 0 for row in rows.values())
    assert {row["budget"] for row in rows.values() if row["id"].startswith("open-pot-7")} == {"< 5x", None}
    assert {"python", "processor", "libraries", "tables", "tables_digest", "date"} <= set(found["about"])
    assert max(map(len, said.splitlines())) <= 80
    assert len(re.findall(r"\bmet$", said, re.IGNORECASE | re.MULTILINE)) >= 60  # a budget each, met or not
    assert len(json.loads(pyperf.read_text(encoding="utf-8"))["benchmarks"]) > len(SHAPES) * 3


def test_an_unknown_group_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        command.main(["--only", "given,nonsense"])
    assert stopped.value.code == 2
    assert "no group is called nonsense" in capsys.readouterr().err


# --- growth


def test_made_tables_are_a_valid_overlay_of_the_size_asked(tmp_path: Path) -> None:
    tables = Tables.open(made_tables.overlay(tmp_path, 2, shipped()))
    before, after = made_tables.size_of(shipped()), made_tables.size_of(tables)
    assert after == {name: 2 * count for name, count in before.items()}
    own = [row for row in tables.schemes("serial") if row["id"].startswith("made-")]
    bands = {row["scheme"]: row for row in tables.table(f"{made_tables.PACKAGE}/bands").rows}
    lettered = [bands[row["id"]] for row in own if bands[row["id"]]["prefix"]]
    assert 0.7 < len(lettered) / len(own) < 0.8
    for row in lettered[:3]:
        found = decode(f"{row['prefix']}{row['first']}", part="serial", tables=tables)
        assert row["scheme"] in {reading.scheme for reading in found.readings}


def test_a_tiny_run_of_growth_yields_every_curve_and_plot(tmp_path: Path) -> None:
    said = ran(growth.main, "--tiny", "-o", str(tmp_path), "--markdown")
    rows = json.loads((tmp_path / "growth.json").read_text(encoding="utf-8"))["curves"]
    assert {row["growth"] for row in rows} == {"tables", "parts", "unknown"}
    assert {row["name"] for row in rows} >= {
        "exact",
        "with the estimate",
        "first decoding: indexes",
        "serial",
    }
    assert all(len(row["sizes"]) == len(row["seconds"]) >= 2 for row in rows)
    assert all(f" {row['name']} " in said for row in rows)
    for name in ("tables", "parts", "unknown"):
        ElementTree.parse(tmp_path / f"growth-{name}.svg")
    assert said.startswith("### How cost grows") and said.rstrip().endswith("```")


# --- soak


class Session:
    """What the clients of a soak ask through, over an application in this process; `spoil` changes what comes back."""

    def __init__(self, app: Any, spoil: Callable[[str], str] = str) -> None:
        self.client = app.test_client()
        self.spoil = spoil

    def request(self, method: str, address: str, timeout: int = 0, params: Any = None, **more: Any) -> Any:
        found = self.client.open(address, method=method, query_string=params, **more)
        text = self.spoil(found.text)
        return SimpleNamespace(status_code=found.status_code, text=text, json=lambda: json.loads(text))


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return create_app({"CASEBOOK": str(tmp_path_factory.mktemp("soak") / "soak.sqlite")})


@pytest.mark.parametrize("kind", [kind for kind, _ in soak.MIX])
def test_a_client_finds_nothing_wrong_with_right_answers(app: Any, kind: str) -> None:
    client = soak.Client("/", Random(kind), Session(app))
    for _ in range(2):
        soak.act(client, "create") if kind in soak.OF_SHEETS else None
        soak.act(client, kind)
    assert client.took > 0


SPOILT = {
    "decode": ('"status"', '"state"'),
    "page": ("</html>", ""),
    "page-decode": ("e", ""),
    "check": ('"outcome"', '"income"'),
    "page-check": ("outcome v-", "outcome u-"),
    "batch": ('"readings"', '"findings"'),
    "stream": ('"windows"', '"doors"'),
    "create": ('"version":1', '"version":2'),
    "read": ('"version":1', '"version":2'),
    "change": ('"version":2', '"version":1'),
    "list": ("Harrow", "Barrow"),
}


@pytest.mark.parametrize("kind", SPOILT)
def test_a_client_sees_a_wrong_answer(app: Any, kind: str) -> None:
    session = Session(app)
    client = soak.Client("/", Random(1), session)
    soak.act(client, "create")
    good, bad = SPOILT[kind]
    session.spoil = lambda text: text.replace(good, bad)
    with pytest.raises(soak.Wrong):
        soak.act(client, kind)


def test_a_client_sees_a_status_that_was_not_meant(app: Any) -> None:
    with pytest.raises(soak.Wrong, match="status 404"):
        soak.Client("/", Random(1), Session(app)).ask("GET", "v1/nothing")


def test_memory_is_judged_over_the_last_two_thirds() -> None:
    looks = [
        (float(at), 50.0 + at if at < 600 else 650 + (at - 600) / 3600 * 12) for at in range(0, 1801, 30)
    ]
    assert soak.slope(looks) == pytest.approx(12.0, abs=0.01)
    assert soak.slope(looks[:1]) is None and soak.slope([]) is None


def test_the_end_of_a_soak_tells_errors_and_thirds() -> None:
    plan = soak.Plan(seconds=90.0, rate=1.0)
    slow = [soak.Answered(at, "decode", 0.2 if at > 60 else 0.1) for at in range(90)]
    slow[40] = soak.Answered(40.0, "check", 0.1, "check: status 500 for 200: oh")
    found = soak.summary(slow, [(0.0, 90.0), (45.0, 90.0), (90.0, 90.0)], plan)
    assert (found["requests"], found["errors"]) == (90, 1)
    assert found["errors_by_kind"] == {"check": 1}
    assert (found["p99_first_third"], found["p99_last_third"]) == (0.1, 0.2)
    assert found["memory_mb_an_hour"] == pytest.approx(0.0)
    ended = {**found, "server_died": False, "clients_died": 0, "complaints": ""}
    assert soak.failed(ended)
    assert "status 500" in soak.told(ended) and "200 ms in the last" in soak.told(ended)
    window = soak.window_of(slow, [(0.0, 90.0)], 30.0, 60.0)
    assert (window["requests"], window["errors"], window["p50"]) == (30, 1, 0.1)
    assert ElementTree.fromstring(soak.plot({"memory": [(0.0, 90.0), (60.0, 91.0)]})) is not None
