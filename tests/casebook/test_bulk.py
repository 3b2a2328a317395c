"""Bulk runs: every line once and in order, bad lines aside with reasons, and a kill costs nothing but time."""

from __future__ import annotations

import csv
import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.casebook.bulk import CSV, BulkError, Job, Progress, _is_open, answer_chunk, run
from decoder.catalog import decode
from decoder.crosscheck import check
from decoder.tables import Tables
from tests.casebook.conftest import sheet

DAY = date(2026, 11, 25)
FORK = multiprocessing.get_context("fork")
MARKINGS = ["137-6612", "304 6208", "1377310", "nothing here", "PAT. NO. 2,573,254", "13?-6[68]12"]


def lines_of(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def asked(count: int) -> list[dict[str, Any]]:
    return [{"id": n, "marking": MARKINGS[n % len(MARKINGS)], "part": "potentiometer"} for n in range(count)]


def ndjson(path: Path, rows: list[Any]) -> Path:
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


def test_every_line_is_answered_as_decode_would_and_in_order(tmp_path: Path, shipped: Tables) -> None:
    source, target = ndjson(tmp_path / "in.ndjson", asked(23)), tmp_path / "out.ndjson"
    seen: list[Progress] = []
    done = run(source, target, shipped, today=DAY, jobs=2, chunk=5, progress=seen.append)
    assert (done.lines, done.bad_lines, done.bad_file, done.resumed_at) == (23, 0, None, 0)
    answers = lines_of(target)
    assert [one["id"] for one in answers] == list(range(23))
    for one, row in zip(answers, asked(23), strict=True):
        expected = decode(row["marking"], part="potentiometer", today=DAY, tables=shipped).as_dict()
        assert {k: v for k, v in one.items() if k not in ("id", "line")} == json.loads(json.dumps(expected))
    assert seen[-1].lines == 23 and seen[-1].share == 1
    assert "23 lines (100%)" in seen[-1].words()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in.ndjson", "out.ndjson"]


def test_bad_lines_go_aside_with_their_reasons_and_spoil_no_other(tmp_path: Path, shipped: Tables) -> None:
    source = tmp_path / "in.ndjson"
    good = json.dumps({"marking": "137-6612"})
    bad = ["{", "[1]", '{"part": "pot"}', '{"marking": "["}', '{"marking": 5}', '{"marking": "1", "colour": "x"}',
           '{"marking": "1", "part": "warp coil"}', '{"marking": NaN}', "[" * 5000]  # fmt: skip
    text = "\n".join([good, *bad[:4], "", good, *bad[4:], good]) + "\n"
    source.write_bytes(text.encode() + b'{"marking": "\xff"}\n' + good.encode())
    done = run(source, tmp_path / "out.ndjson", shipped, today=DAY, jobs=1, chunk=2)
    assert [one["line"] for one in lines_of(tmp_path / "out.ndjson")] == [1, 7, 13, 15]
    assert done.bad_file is not None
    refused = lines_of(done.bad_file)
    assert [one["line"] for one in refused] == [2, 3, 4, 5, 8, 9, 10, 11, 12, 14]
    assert (done.lines, done.bad_lines) == (15, 10)
    assert refused[0]["text"] == "{"
    reasons = " | ".join(one["reason"] for one in refused)
    for said in (
        "object",
        "no marking",
        "must be text",
        "colour",
        "warp coil",
        "NaN",
        "too deeply",
        "not UTF-8",
    ):
        assert said in reasons


def test_sheets_are_checked(tmp_path: Path, shipped: Tables) -> None:
    sheets = [{"id": 1, **sheet()}, {"id": 2, "sheet": sheet("137-6612")}, sheet({"id": "a", "part": "x"})]
    done = run(ndjson(tmp_path / "in.jsonl", sheets), tmp_path / "out.jsonl", shipped, today=DAY, jobs=1)
    answers = lines_of(tmp_path / "out.jsonl")
    assert [(one["id"], one["outcome"]) for one in answers] == [(1, "agrees"), (2, "contradicted")]
    expected = check(sheet(), today=DAY, tables=shipped).as_dict()
    assert answers[0]["parts"] == json.loads(json.dumps(expected))["parts"]
    assert done.bad_lines == 1


def test_csv_in_and_out(tmp_path: Path, shipped: Tables) -> None:
    source = tmp_path / "in.csv"
    source.write_text(
        '\ufeffid,marking,part\n1,137-6612,pot\n2,"CELESTION 12"" GJ",speaker\n\n3,12" speaker,speaker\n'
        '4,"two\nlines",pot\n5,"\'=137-6612",pot\n6,1,pot,extra\n',
        encoding="utf-8",
    )
    done = run(source, tmp_path / "out.csv", shipped, today=DAY, jobs=1, chunk=2)
    with (tmp_path / "out.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == ["1", "2", "3", "5"]
    assert rows[0]["status"] == "read" and rows[0]["window"].startswith("1966-03")
    assert rows[0]["grade"] != ""
    assert rows[1]["marking"] == 'CELESTION 12" GJ'
    assert rows[3]["marking"] == "'=137-6612"  # guarded again
    assert done.bad_file is not None
    bad = lines_of(done.bad_file)
    assert [one["line"] for one in bad] == [6, 8]
    assert "extra" not in bad[0]["reason"] and "4 cells" in bad[1]["reason"]


def test_a_quotation_mark_left_open_swallows_one_line_at_most(tmp_path: Path, shipped: Tables) -> None:
    source = tmp_path / "in.csv"
    rest = "".join(f"{n},137-6612\n" for n in range(500))
    source.write_text(f'id,marking\na,"137-66\n{rest}', encoding="utf-8")
    done = run(source, tmp_path / "out.csv", shipped, today=DAY, jobs=1)
    assert (done.lines, done.bad_lines) == (501, 1)


@given(
    rows=st.lists(
        st.lists(st.text(st.sampled_from('a",\n'), max_size=5), min_size=2, max_size=3),
        min_size=1,
        max_size=4,
    )
)
def test_a_record_is_cut_where_csv_would_cut_it(rows: list[list[str]]) -> None:
    import io

    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows(rows)
    whole = text.getvalue().encode()
    records, held = [], b""
    for line in whole.splitlines(keepends=True):
        held += line
        if not _is_open(held, ","):
            records.append(held)
            held = b""
    assert held == b""
    back = [next(csv.reader(io.StringIO(one.decode(), newline=""), strict=True)) for one in records]
    assert back == rows


def test_parquet_in_and_out(tmp_path: Path, shipped: Tables) -> None:
    pytest.importorskip("pyarrow")
    import pyarrow as arrow
    import pyarrow.parquet as parquet

    rows = [{"id": str(n), "marking": MARKINGS[n % 6], "part": None if n % 2 else "pot"} for n in range(40)]
    rows[7]["marking"] = "["
    parquet.write_table(arrow.Table.from_pylist(rows), tmp_path / "in.parquet", row_group_size=15)
    done = run(tmp_path / "in.parquet", tmp_path / "out.parquet", shipped, today=DAY, jobs=1, chunk=4)
    assert (done.lines, done.bad_lines) == (40, 1)
    table = parquet.read_table(tmp_path / "out.parquet")
    back = table.to_pylist()
    assert [one["id"] for one in back] == [str(n) for n in range(40) if n != 7]
    assert [one["line"] for one in back] == [n + 1 for n in range(40) if n != 7]
    assert back[0]["status"] == "read" and back[3]["window"] is None
    assert run(tmp_path / "in.parquet", tmp_path / "flat.csv", shipped, today=DAY, jobs=1).lines == 40


def test_a_table_of_markings_takes_no_sheet(tmp_path: Path, shipped: Tables) -> None:
    source = ndjson(tmp_path / "in.ndjson", ["x", {"marking": "137-6612"}, sheet(), {"marking": "1376612"}])
    done = run(source, tmp_path / "out.csv", shipped, today=DAY, jobs=1)
    assert (done.lines, done.bad_lines) == (4, 2)
    source = ndjson(tmp_path / "sheets.ndjson", [sheet(), {"marking": "137-6612"}])
    assert run(source, tmp_path / "sheets.csv", shipped, today=DAY, jobs=1).bad_lines == 1
    assert (tmp_path / "sheets.csv").read_text().startswith("id,line,outcome,claim")


# ---------------------------------------------------------------------------------------------------------------
# Kills


def killed(source: Path, target: Path, tables: Tables, after: float, jobs: int) -> bool:
    """Whether a run was killed after so many seconds, before it was over."""
    process = FORK.Process(
        target=run, args=(source, target, tables), kwargs={"today": DAY, "jobs": jobs, "chunk": 20}
    )
    process.start()
    process.join(after)
    if process.exitcode is None:
        os.kill(process.pid or 0, signal.SIGKILL)
    process.join()
    return process.exitcode == -signal.SIGKILL


@pytest.mark.parametrize("ending", ["ndjson", "csv", "parquet"])
def test_killed_at_any_moment_it_goes_on_with_no_line_lost_or_doubled(
    tmp_path: Path, shipped: Tables, ending: str
) -> None:
    rows = asked(1200)
    for n in range(50, 1200, 97):
        rows[n] = {"id": n, "marking": "["}
    source = ndjson(tmp_path / "in.ndjson", rows)
    plain, target = tmp_path / f"plain.{ending}", tmp_path / f"out.{ending}"
    began = time.monotonic()
    run(source, plain, shipped, today=DAY, jobs=1, chunk=20)
    took = time.monotonic() - began
    choose = random.Random(ending)
    kills = 0
    while kills < 6 and killed(source, target, shipped, choose.uniform(0.05, 0.4) * took, 1):
        kills += 1
    assert kills > 0
    if not target.exists():
        assert run(source, target, shipped, today=DAY, jobs=1, chunk=33).lines == 1200
    if ending == "parquet":
        import pyarrow.parquet as parquet

        assert parquet.read_table(target).to_pylist() == parquet.read_table(plain).to_pylist()
    else:
        assert target.read_bytes() == plain.read_bytes()
    bad = tmp_path / f"plain.{ending}.bad.ndjson"
    assert (tmp_path / f"out.{ending}.bad.ndjson").read_bytes() == bad.read_bytes()
    assert not list(tmp_path.glob("*.part")) and not list(tmp_path.glob("*.journal"))


def test_a_half_written_answer_and_a_half_written_entry_count_for_nothing(
    tmp_path: Path, shipped: Tables
) -> None:
    source, target = ndjson(tmp_path / "in.ndjson", asked(60)), tmp_path / "out.ndjson"
    run(source, tmp_path / "plain.ndjson", shipped, today=DAY, jobs=1)
    stop_after(source, target, shipped, 2)
    with (tmp_path / "out.ndjson.part").open("ab") as file:
        file.write(b'{"line": 21, "half')
    with (tmp_path / "out.ndjson.journal").open("ab") as file:
        file.write(b'{"end": 99')
    done = run(source, target, shipped, today=date(2030, 1, 1), jobs=1, chunk=10)
    assert (done.lines, done.resumed_at) == (60, 20)
    assert target.read_bytes() == (tmp_path / "plain.ndjson").read_bytes()  # of the first day, all of it


class Stop(Exception):
    pass


class InHand:
    """An executor that answers at once, remembers how many answers are held, and stops after so many chunks."""

    def __init__(self, chunks: int = 10**9) -> None:
        self.chunks = chunks
        self.submitted = self.held = self.most = 0

    def submit(self, work: Any, *given: Any) -> Any:
        if self.submitted == self.chunks:
            raise Stop
        self.submitted += 1
        self.held += 1
        self.most = max(self.most, self.held)
        return Answer(self, work(*given))


class Answer:
    def __init__(self, executor: InHand, value: Any) -> None:
        self.executor, self.value = executor, value

    def result(self) -> Any:
        self.executor.held -= 1
        return self.value

    def cancel(self) -> None:
        pass


def stop_after(source: Path, target: Path, tables: Tables, chunks: int) -> None:
    """Run until so many chunks of ten lines are written; three more are under way then."""
    with pytest.raises(Stop):
        run(source, target, tables, today=DAY, executor=InHand(chunks + 3), jobs=1, chunk=10)  # type: ignore[arg-type]
    assert len((target.with_name(f"{target.name}.part")).read_bytes().splitlines()) == 10 * chunks


def test_other_tables_or_another_input_are_not_mixed_in(tmp_path: Path, shipped: Tables) -> None:
    source, target = ndjson(tmp_path / "in.ndjson", asked(60)), tmp_path / "out.ndjson"
    stop_after(source, target, shipped, 2)
    ndjson(source, asked(61))
    with pytest.raises(BulkError, match="another size"):
        run(source, target, shipped, today=DAY, jobs=1)
    ndjson(source, asked(60))
    overlay = tmp_path / "own"
    overlay.mkdir()
    for name in ("datapackage.json", "bands.csv", "sources.csv", "schemes.toml"):
        origin = next(p.folder for p in shipped.packages() if p.name == "invented") / name
        (overlay / name).write_bytes(origin.read_bytes() + (b"\n" if name == "schemes.toml" else b""))
    with pytest.raises(BulkError, match="tables are others"):
        run(source, target, Tables.open(overlay), today=DAY, jobs=1)
    assert run(source, target, shipped, today=DAY, jobs=1, restart=True).lines == 60


def test_nothing_is_overwritten(tmp_path: Path, shipped: Tables) -> None:
    source = ndjson(tmp_path / "in.ndjson", asked(3))
    target = tmp_path / "out.ndjson"
    target.write_text("mine")
    with pytest.raises(BulkError, match="overwritten"):
        run(source, target, shipped, today=DAY)
    assert target.read_text() == "mine"


@pytest.mark.parametrize(
    ("source", "target", "said"),
    [("in.txt", "out.csv", "ending"), ("in.csv", "out.doc", "ending"), ("no.csv", "out.csv", "no such file")],
)
def test_files_that_can_not_be_are_told(
    tmp_path: Path, shipped: Tables, source: str, target: str, said: str
) -> None:
    (tmp_path / "in.csv").write_text("marking\n1\n")
    (tmp_path / "in.txt").write_text("marking\n1\n")
    with pytest.raises(BulkError, match=said):
        run(tmp_path / source, tmp_path / target, shipped, today=DAY)


def test_a_csv_without_markings_is_told(tmp_path: Path, shipped: Tables) -> None:
    (tmp_path / "in.csv").write_text("serial,colour\n1,2\n")
    with pytest.raises(BulkError, match="marking among them"):
        run(tmp_path / "in.csv", tmp_path / "out.csv", shipped, today=DAY)


def test_a_killed_worker_leaves_a_run_that_goes_on(tmp_path: Path, shipped: Tables) -> None:
    source, target = ndjson(tmp_path / "in.ndjson", asked(4000)), tmp_path / "out.ndjson"

    def kill_a_child(progress: Progress) -> None:
        for child in multiprocessing.active_children():
            child.kill()

    with pytest.raises(BulkError, match="run the same command again"):
        run(source, target, shipped, today=DAY, jobs=2, chunk=20, progress=kill_a_child)
    done = run(source, target, shipped, today=DAY, jobs=2, chunk=400)
    assert done.lines == 4000 and done.resumed_at > 0
    assert [one["id"] for one in lines_of(target)] == list(range(4000))


def test_memory_does_not_grow_with_the_input(tmp_path: Path, shipped: Tables) -> None:
    """What is held at once is some chunks: no more of them for a long file than for a short one."""
    for count in (100, 600):
        source = ndjson(tmp_path / f"{count}.ndjson", [{"marking": "137-6612", "part": "pot"}] * count)
        executor = InHand()
        run(source, tmp_path / f"{count}-out.ndjson", shipped, today=DAY, executor=executor, jobs=2, chunk=5)  # type: ignore[arg-type]
        assert executor.submitted == count / 5
        assert executor.most == 7


def test_a_chunk_is_a_pure_function() -> None:
    job = Job(CSV, ("marking", "part"), ",", False, False, ("", ()), "2026-11-25")
    lines = ("137-6612,pot", "[,pot", "")
    assert answer_chunk(lines, 2, job) == answer_chunk(lines, 2, job)
    made = answer_chunk(lines, 2, job)
    assert (made.count, made.bad_count) == (1, 1)


def test_two_workers_of_dask_come_to_the_same(tmp_path: Path, shipped: Tables) -> None:
    pytest.importorskip("distributed")
    source = ndjson(tmp_path / "in.ndjson", asked(40))
    run(source, tmp_path / "plain.ndjson", shipped, today=date.today(), jobs=1)
    demo = Path(__file__).resolve().parents[2] / "demo" / "bulk_dask.py"
    words = [
        sys.executable,
        str(demo),
        "--workers",
        "2",
        "--chunk",
        "7",
        str(source),
        str(tmp_path / "out.ndjson"),
    ]
    environment = {name: value for name, value in os.environ.items() if name != "PARTDATE_TABLES"}
    done = subprocess.run(words, capture_output=True, text=True, env=environment, timeout=300)
    assert done.returncode == 0, done.stderr
    assert "40 lines, 0 bad, 2 workers" in done.stdout
    assert (tmp_path / "out.ndjson").read_bytes() == (tmp_path / "plain.ndjson").read_bytes()
