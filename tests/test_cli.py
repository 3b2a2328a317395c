"""The `partdate` command as a technician and a script meet it: answers, exit codes, bad input, plain text.

The instruments are of Harrow & Vale, an invented maker, and lie on the Tidewater Bench, an invented shop.
"""

import json
import os
import re
import subprocess
import sys
import unicodedata
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from decoder import catalog, crosscheck
from decoder.cli import main
from decoder.tables import shipped
from decoder.terminal import decoding_text, window_words

ROOT = Path(__file__).resolve().parent.parent
TODAY = "2026-11-25"
ANSI = re.compile(r"\x1b\[[0-9;]*m")


def run(*args, stdin=None, env=None, color=False):
    """The command in this process, without tables of the machine that runs the tests."""
    clean = {"PARTDATE_TABLES": None, "NO_COLOR": None, **(env or {})}
    return CliRunner().invoke(main, list(args), input=stdin, env=clean, color=color)


def process(*args, stdin=b"", env=None):
    """The command in a process of its own."""
    clean = {
        k: v for k, v in os.environ.items() if k not in ("PARTDATE_TABLES", "NO_COLOR", "PYTHONIOENCODING")
    }
    return subprocess.run(
        [sys.executable, "-m", "decoder.cli", *args],
        input=stdin,
        cwd=ROOT,
        capture_output=True,
        env={**clean, "PYTHONUTF8": "1", **(env or {})},
        check=False,
    )


def columns(line):
    """The columns of a terminal that a line takes."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in line
    )


def widest(text):
    return max(map(columns, text.splitlines()), default=0)


# --- sheets -------------------------------------------------------------------------------------------------


def sheet(claim, *parts, **instrument):
    about = {"maker": "Harrow & Vale", "model": "Tidewater", **instrument}
    if claim:
        about["claim"] = claim
    rows = [{"id": name, "part": kind, **more} for name, kind, more in parts]
    return {"instrument": about, "parts": rows, "options": {"today": TODAY}}


VOLUME = ("volume", "pot", {"marking": "137-6612"})
SERIAL = ("plate", "serial", {"marking": "41200"})
LATE = ("tone", "pot", {"marking": "137-6952"})
AGREES = sheet("1966", VOLUME, SERIAL)
CONTRADICTED = sheet("1966", VOLUME, SERIAL, LATE)
UNDECIDED = sheet(None, VOLUME, SERIAL)
LABEL = "HARROW & VALE MADE ON THE TIDEWATER BENCH " * 9
LONG = sheet(
    "196X",
    VOLUME,
    LATE,
    ("a part whose name is as long as a name of a part may be, 64 here", "pot", {"marking": "304-6?12"}),
    ("label", "label", {"marking": LABEL[:400]}),
    ("wide", "label", {"marking": "昭和四十一年三月 調整済 保証書付 木曽鈴木"}),
    ("unbroken", "label", {"marking": "X" * 300}),
    ("lines", "label", {"marking": "MADE IN\nJAPAN\nPAT. PEND."}),
    ("not seen", "cap", {"state": "not-looked"}),
    ("gone", "neck-heel", {"state": "illegible", "flags": ["joint-disturbed"]}),
    ("blank", "body-cavity", {"state": "no-mark"}),
    ("unread", "speaker", {"marking": "QQ/QQ/QQ"}),
    ("dated by hand", "tuner", {"override": {"window": "1966", "name": "the bench", "reason": "x" * 120}}),
    ("told", "speaker", {"marking": "137-7112", "flags": ["disclosed-replacement"]}),
    second_claim="1967",
)
CSV = "id,part,marking,maker,model,claim\nvolume,pot,137-6612,Harrow & Vale,Tidewater,1966\nplate,serial,41200,,,\n"
SHEETS = {"agrees": AGREES, "contradicted": CONTRADICTED, "undecided": UNDECIDED, "long": LONG}
MARKINGS = [
    ("137-6612", "--part", "pot"),
    ("137-612", "--part", "pot"),
    ("13?-6[16]12", "--part", "pot"),
    ("1?????2", "--part", "pot"),
    ("137-6660", "--part", "pot"),
    ("137-66", "--part", "pot"),
    ("QQZZY", "--part", "pot"),
    ("????", "--part", "pot"),
    ("31500",),
    ("31500", "--part", "serial"),
    ("1????", "--part", "serial"),
    ("31500", "--part", "serial", "--maker", "Harrow & Vale"),
    ("60000", "--part", "serial", "--maker", "Harrow & Vale"),
    ("31500", "--part", "serial", "--maker", "Nobody & Sons"),
    ("4123", "--part", "bridge", "--maker", "Fender", "--claim", "1953"),
    ("HM02316", "--part", "serial", "--maker", "Yamaha"),
    ("PAT. NO. 2,741,146", "--part", "label"),
    ("PAT. PEND.", "--part", "tuner", "--patent", "2741146"),
    (LABEL[:400], "--part", "label"),
    ("X" * 64,),
    ("昭和41年3月 調整済 保証書付 木曽鈴木 名古屋", "--part", "label"),
    ("* 66*", "--part", "pot"),
]


def ids(args):
    return " ".join(args)[:30]


# --- exit codes ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (("decode", "137-6612", "--part", "pot"), 0),
        (("decode", "137-6660", "--part", "pot"), 1),
        (("decode", "QQZZY", "--part", "pot"), 1),
        (("decode", "31500", "--maker", "Nobody & Sons", "--part", "serial"), 1),
        (("decode", ""), 2),
        (("decode", "137-6612", "--part", "pott"), 2),
        (("decode",), 2),
        (("tables", "list"), 0),
        (("tables", "show", "parts/lag"), 0),
        (("tables", "show", "parts/nothing"), 2),
        (("tables", "validate"), 0),
        (("--help",), 0),
        (("decode", "-h"), 0),
        (("--version",), 0),
        (("nonsense",), 2),
    ],
    ids=str,
)
def test_the_exit_code_tells_a_script_what_became_of_it(args, code):
    assert run(*args).exit_code == code


@pytest.mark.parametrize(("given_sheet", "code"), [(AGREES, 0), (CONTRADICTED, 1), (UNDECIDED, 3)])
def test_the_exit_code_of_a_check_is_its_outcome(tmp_path, given_sheet, code):
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps(given_sheet), encoding="utf-8")
    assert run("check", str(path)).exit_code == code
    assert run("check", str(path), "--json").exit_code == code
    assert run("check", "-", stdin=json.dumps(given_sheet)).exit_code == code


# --- JSON is the core's own answer --------------------------------------------------------------------------

OPTIONS = {
    "--part": "part",
    "--maker": "maker",
    "--claim": "claim",
    "--country": "country",
    "--patent": "patent",
}


@pytest.mark.parametrize("args", MARKINGS, ids=ids)
def test_json_of_a_marking_is_the_decoding_as_it_stands(args):
    marking, *options = args
    named = {OPTIONS[name]: value for name, value in zip(options[::2], options[1::2], strict=True)}
    result = run("decode", *args, "--json")
    expected = catalog.decode(marking, **named, today=date.today()).as_dict()
    assert json.loads(result.stdout) == expected
    assert result.exit_code == (0 if expected["status"] == "read" else 1)
    assert result.stderr == ""


@pytest.mark.parametrize("name", SHEETS)
def test_json_of_a_sheet_is_the_assessment_as_it_stands(name):
    result = run("check", "-", "--json", stdin=json.dumps(SHEETS[name]))
    assert json.loads(result.stdout) == crosscheck.check(SHEETS[name]).as_dict()


def test_a_sheet_without_a_day_of_its_own_is_checked_as_of_today():
    plain = {key: value for key, value in AGREES.items() if key != "options"}
    made = json.loads(run("check", "-", "--json", stdin=json.dumps(plain)).stdout)
    assert made == crosscheck.check(plain, today=date.today()).as_dict()


def test_json_of_a_table_is_the_table_as_it_stands():
    result = run("tables", "show", "parts/lag", "--find", "potentiometer", "--json")
    assert json.loads(result.stdout) == shipped().table("parts/lag").as_dict("potentiometer")


def test_a_csv_and_the_json_of_the_same_sheet_have_the_same_answer(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text(CSV, encoding="utf-8")
    plain = {key: value for key, value in AGREES.items() if key != "options"}
    from_csv = json.loads(run("check", str(path), "--json").stdout)
    from_json = json.loads(run("check", "-", "--json", stdin=json.dumps(plain)).stdout)
    assert from_csv == from_json


# --- standard input -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        CSV,
        "\ufeff" + CSV,
        CSV.replace("\n", "\r\n"),
        CSV.replace(",", ";"),
        json.dumps(AGREES),
        f"\n {json.dumps(AGREES)}",
        "\ufeff" + json.dumps(AGREES),
    ],
    ids=[
        "csv",
        "csv with a mark of UTF-8",
        "csv of Windows",
        "csv with semicolons",
        "json",
        "json after a line",
        "json with a mark of UTF-8",
    ],
)
def test_a_dash_is_standard_input_in_either_form(text):
    result = run("check", "-", stdin=text)
    assert result.exit_code == 0
    assert result.stdout.startswith("AGREES  the claim 1966\n")


def test_faults_of_standard_input_are_placed_in_it():
    result = run("check", "-", stdin=CSV.replace("plate,serial", "plate,serail"))
    assert result.exit_code == 2
    assert "standard input can't be checked" in result.stderr
    assert "row 3, column part" in result.stderr


# --- text for people ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("args", MARKINGS, ids=ids)
def test_a_decoding_fits_80_columns_and_says_nothing_of_authenticity(args):
    text = run("decode", *args).stdout
    assert 0 < widest(text) <= 80
    assert not re.search(r"genuine|authentic", text, re.IGNORECASE)


@pytest.mark.parametrize("name", SHEETS)
def test_an_assessment_fits_80_columns_and_says_nothing_of_authenticity(name):
    text = run("check", "-", stdin=json.dumps(SHEETS[name])).stdout
    assert 0 < widest(text) <= 80
    assert not re.search(r"genuine|authentic", text, re.IGNORECASE)


@pytest.mark.parametrize("args", [("list",), *(("show", name) for name in shipped().ids())], ids=ids)
def test_the_tables_fit_80_columns(args):
    result = run("tables", *args)
    assert result.exit_code == 0
    assert widest(result.stdout) <= 80


def test_help_fits_80_columns():
    for args in (
        (),
        ("decode",),
        ("check",),
        ("serve",),
        ("tables",),
        ("tables", "show"),
        ("tables", "validate"),
    ):
        assert widest(run(*args, "--help").stdout) <= 80


@given(st.text(st.sampled_from("0136789?-./ XQAKLSV木年é\u0301[]68*"), min_size=1, max_size=64))
def test_whatever_is_typed_there_is_an_answer_of_80_columns(text):
    result = run("decode", "--", text)
    assert result.exit_code in (0, 1, 2)
    assert widest(result.output) <= 80
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    "args", [*(("decode", *m) for m in MARKINGS[:6]), ("tables", "show", "parts/lag")], ids=ids
)
def test_there_are_no_colours_where_no_terminal_is(args):
    plain, coloured = run(*args).stdout, run(*args, color=True).stdout
    assert not ANSI.search(plain)
    assert ANSI.search(coloured)
    assert ANSI.sub("", coloured) == plain
    assert run(*args, color=True, env={"NO_COLOR": "1"}).stdout == plain


def test_colours_carry_nothing_that_the_words_do_not():
    text = json.dumps(CONTRADICTED)
    plain, coloured = run("check", "-", stdin=text).stdout, run("check", "-", stdin=text, color=True).stdout
    assert ANSI.sub("", coloured) == plain
    assert not ANSI.search(plain)


def test_a_clear_code_gives_its_days_before_anything_else():
    lines = run("decode", "137-6612", "--part", "pot").stdout.splitlines()
    assert lines[:2] == ["137-6612", "1 reading: 19 Mar 1966 to 27 Mar 1966"]
    assert "    137  source  CTS (Chicago Telephone Supply)" in lines
    assert any(line.startswith("    Sources: ") for line in lines)
    assert any(line.startswith("Grades: ") for line in lines)


def test_one_code_with_several_years_is_told_once_with_all_of_them():
    lines = run("decode", "137-612", "--part", "pot").stdout.splitlines()
    assert sum("Source and date code" in line for line in lines) == 1
    assert [line for line in lines if re.fullmatch(r"  \d+ Mar 19\d6 to \d+ Mar 19\d6", line)] == [
        "  17 Mar 1946 to 30 Mar 1946",
        "  18 Mar 1956 to 25 Mar 1956",
        "  19 Mar 1966 to 27 Mar 1966",
        "  15 Mar 1976 to 27 Mar 1976",
    ]
    late = lines.index("  15 Mar 1976 to 27 Mar 1976")
    assert lines[late + 1].startswith("      - 1976 is outside the documented years of this layout")


def test_the_characters_that_failed_are_marked_and_real_corrections_offered():
    lines = run("decode", "137-6660", "--part", "pot").stdout.splitlines()
    assert lines[1] == "not read, but almost"
    place = lines.index("  137-6660")
    assert lines[place + 1] == "        ^^"
    offered = re.findall(r"137-\d{4}", " ".join(lines[place + 2 :]))
    assert offered
    for marking in offered:
        assert run("decode", marking, "--part", "pot").exit_code == 0


def test_a_code_that_nobody_reads_says_what_to_try():
    text = " ".join(run("decode", "QQZZY", "--part", "pot").stdout.split())
    assert "not read: no scheme held here reads this" in text
    assert "? for each worn character" in text
    assert "--part" in text


def test_a_number_without_a_maker_is_a_line_for_each_maker():
    lines = run("decode", "31500", "--part", "serial").stdout.splitlines()
    assert "say whose number it is (--maker)" in lines[1]
    makers = {
        r["maker"]
        for r in catalog.decode("31500", part="serial").as_dict()["readings"]
        if r["strength"] == "fair"
    }
    start = lines.index("Fair readings") + 1
    told = lines[start : start + len(makers)]
    assert {re.split(r"  +", line.strip())[0] for line in told} == makers
    assert re.fullmatch(r"  C\. F\. Martin +1927 \[M\]", next(line for line in told if "Martin" in line))
    assert re.fullmatch(r"  Harrow & Vale +1964 \[P\]", next(line for line in told if "Harrow" in line))


def test_a_number_with_its_maker_gives_band_tolerance_and_sources():
    text = run("decode", "31500", "--part", "serial", "--maker", "harrow & vale").stdout
    assert text.splitlines()[1] == "1 reading: 1964"
    assert "29501 to 34200: 1964" in text
    assert "6 months after" in text
    assert "Harrow & Vale: Harrow & Vale" not in text


def test_weaker_readings_are_told_to_count_for_nothing():
    text = run("decode", "1377215", "--part", "pot").stdout
    strong, _, weak = text.partition("\nWeak reading")
    assert "1972" in strong
    assert "count for nothing beside the stronger ones" in weak.splitlines()[0]


def test_cautions_of_the_part_are_shown_with_it():
    assert "Caution: Old solder contains lead." in run("decode", "137-6612", "--part", "pot").stdout


def test_an_assessment_begins_with_its_outcome_and_gives_every_part_its_verdict_and_reason():
    lines = run("check", "-", stdin=json.dumps(CONTRADICTED)).stdout.splitlines()
    assert lines[0] == "CONTRADICTED  the claim 1966"
    parts = {match[3]: match for match in map(_PART.fullmatch, lines) if match}
    assert [(match[1], match[2]) for match in parts.values()] == [
        ("+", "fits"),
        ("+", "fits"),
        (">", "too-new"),
    ]
    reason = lines[lines.index(parts["tone (potentiometer): 137-6952"][0]) + 1]
    assert reason.startswith("              Earliest day 21 Dec 1969")


_PART = re.compile(r" ([-+ox<>?]) ([a-z-]+) +(\S.*)")


def test_what_would_have_to_give_way_is_told_for_the_claim_and_for_the_rest():
    text = " ".join(run("check", "-", stdin=json.dumps(CONTRADICTED)).stdout.split())
    assert "What would have to give way for the claim to hold - tone" in text
    assert "What would have to give way for the rest to agree - tone" in text


def test_where_nothing_has_to_give_way_nothing_is_set_aside():
    text = run("check", "-", stdin=json.dumps(AGREES)).stdout
    assert "give way" not in text
    assert re.search(r"^  in the claim: +\S", text, re.MULTILINE)


def test_no_caution_of_an_assessment_is_lost():
    text = " ".join(run("check", "-", stdin=json.dumps(CONTRADICTED)).stdout.split())
    for caution in crosscheck.check(CONTRADICTED).as_dict()["cautions"]:
        assert caution["text"] in text


def test_every_part_of_a_sheet_is_in_the_report():
    text = " ".join(run("check", "-", stdin=json.dumps(LONG)).stdout.split())
    for part in LONG["parts"]:
        assert part["id"] in text
    assert "MADE IN / JAPAN / PAT. PEND." in text


@pytest.mark.parametrize(
    ("edtf", "words"),
    [
        ("1966-01-01/1966-12-31", "1966"),
        ("1966-01-01/1968-12-31", "1966 to 1968"),
        ("1966-03-01/1966-03-31", "Mar 1966"),
        ("1965-10-01/1966-02-28", "Oct 1965 to Feb 1966"),
        ("1964-01-01/1964-02-29", "Jan 1964 to Feb 1964"),
        ("1964-02-01/1964-02-28", "1 Feb 1964 to 28 Feb 1964"),
        ("1966-03-07/1966-03-07", "7 Mar 1966"),
        ("1956-05-01/..", "1 May 1956 or later"),
        ("../1956-05-01", "1 May 1956 or earlier"),
        ("../..", "any day"),
        ("[1955-01-01..1955-12-31,1957-03-04]", "1955 or 4 Mar 1957"),
        ("[..1955-12-31,1957-01-01..]", "31 Dec 1955 or earlier or 1 Jan 1957 or later"),
        ("0900-01-01/0900-12-31", "900"),
        (None, "no day"),
    ],
)
def test_windows_are_told_in_the_coarsest_words_that_are_exact(edtf, words):
    assert window_words({"edtf": edtf}) == words


def test_a_long_set_of_windows_is_cut_with_a_count():
    years = ",".join(f"{year}-06-02..{year}-06-02" for year in range(1960, 1970))
    assert window_words({"edtf": f"[{years}]"}).endswith("2 Jun 1965 or 4 more spans")
    seven = ",".join(years.split(",")[:7])
    assert window_words({"edtf": f"[{seven}]"}).endswith("2 Jun 1965 or 1 more span")


def test_a_decoding_that_holds_a_note_shows_it():
    made = catalog.decode("1377215", part="pot").as_dict()
    text = decoding_text({**made, "notes": ["only a part of this was read"]}, lambda line, **_: line)
    assert "Note: only a part of this was read" in text


# --- bad input ----------------------------------------------------------------------------------------------


def refused(result, *said):
    """Exit 2, a message for people on standard error and nothing on standard output."""
    text = " ".join(result.stderr.split())
    assert result.exit_code == 2, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert result.stdout == ""
    assert "Traceback" not in text
    for each in said:
        assert each in text, text
    assert all(c.isprintable() or c == "\n" for c in result.stderr)


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("",), ("empty", "? for each worn character")),
        (("   ",), ("empty",)),
        (("7" * 10_000,), ("10000 characters", "at most 64", "send the code alone")),
        (("x" * 500, "--part", "label"), ("500 characters", "at most 400")),
        (("137\x07-6612",), ("character 4 (U+0007)", "take it out")),
        (("137\n6612",), ("character 4 (U+000A)",)),
        (("\x1b[31m137",), ("character 1 (U+001B)",)),
        (("\u202e137-6612",), ("character 1 (U+202E)", "direction character")),
        (("137\u200f",), ("U+200F",)),
        (("137\u0000",), ("U+0000",)),
        (("[]",), ("bracket", "empty", "[68]")),
        (("13[6",), ("not closed",)),
        (("13]6",), ("never opened",)),
        (("13[6-8]",), ("ranges are not read",)),
        (("1*2*3*4*",), ("'*'", "use ?")),
        (("137", "6612"), ("unexpected extra argument", "quotation marks")),
        (("-137-6612",), ("begins with -", "decode -- -137-6612")),
        (("137", "--prat", "pot"), ("--prat", "--part")),
        (("137", "--part"), ("requires an argument",)),
        (("137", "--part", "pott"), ("'pott'", "did you mean 'potentiometer'")),
        (("137", "--part", "wheel"), ("'wheel'",)),
        (("137", "--part", "\x1b[31m" + "p" * 10_000), ("no kind of part",)),
        (("137", "--claim", "soon"), ("'soon'", "such as 1966")),
        (("137", "--claim", "1966-13"), ("no month 13",)),
        (("137", "--claim", "1967/1965"), ("1967/1965",)),
        (("137", "--claim", "9" * 10_000), ("64",)),
        ((), ("Missing argument 'MARKING'",)),
    ],
    ids=lambda value: repr(value)[:40],
)
def test_a_marking_or_option_that_cannot_be_taken_is_refused_in_words(args, said):
    refused(run("decode", *args), *said)


def test_an_option_with_nothing_in_it_counts_as_not_given():
    plain = run("decode", "31500", "--json").stdout
    for option in OPTIONS:
        assert run("decode", "31500", option, "", "--json").stdout == plain
        assert run("decode", "31500", option, "  ", "--json").stdout == plain


PART = '{"id": "volume", "part": "pot", "marking": "137-6612"}'


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("sheet.json", b"", ("is empty", "first row names the columns")),
        ("sheet.csv", b" \n\n", ("is empty",)),
        ("sheet.json", b'{"parts": [', ("line 1, column 12", "missing comma, quotation mark or bracket")),
        ("sheet.json", b'{"parts": [}', ("is not JSON",)),
        ("sheet.json", b'{"parts": []} x', ("is not JSON",)),
        ("sheet.json", b"[" * 100_000, ("nested too deeply",)),
        ("sheet.json", b'{"parts": [{"id": "a", "value": ' + b"9" * 5000 + b"}]}", ("too long to be read",)),
        ("sheet.json", f'{{"parts": [{PART[:-1]}, "marking": "137-6912"}}]}}'.encode(), ("'marking' twice",)),
        ("sheet.json", '{"parts": [{"id": "é"}]}'.encode("latin-1"), ("not UTF-8", "byte 20", "as UTF-8")),
        ("sheet.csv", CSV.encode("utf-16"), ("not UTF-8", "byte 1", "CSV UTF-8")),
        ("sheet.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", ("not UTF-8",)),
        ("sheet.json", b"[1, 2]", ("a sheet is an object with instrument and parts",)),
        ("sheet.json", b"null", ("not null",)),
        ("sheet.json", b"{}", ("/parts", "is needed")),
        ("sheet.json", f'{{"parts": [{PART}, {PART}]}}'.encode(), ("/parts/1/id", "give each part its own")),
        ("sheet.json", PART.join(('{"part": [', "]}")).encode(), ("/part", "Did you mean parts?")),
        (
            "sheet.json",
            b'{"parts": [{"id": "a", "part": "pott", "marking": "1"}]}',
            ("/parts/0/part", "'pott'"),
        ),
        (
            "sheet.json",
            b'{"parts": [{"id": "a", "part": "pot", "marking": "1\\u0000"}]}',
            ("U+0000", "take it out"),
        ),
        (
            "sheet.json",
            b'{"parts": [{"id": "a\\u202e", "part": "pot", "marking": "1"}]}',
            ("U+202E", "remove it"),
        ),
        (
            "sheet.json",
            b'{"parts": [{"id": "a", "part": "pot", "marking": "\\ud800"}]}',
            ("half of a character",),
        ),
        ("sheet.json", b'{"instrument": {"claim": "soon"}, "parts": []}', ("/instrument/claim", "soon")),
        ("sheet.csv", b"id,part,marking\nvolume,pot,137\x00-6612\n", ("row 2, column marking", "U+0000")),
        ("sheet.csv", b"id,part,marking\nvolume,pot,137-[66\n", ("row 2, column marking", "not closed")),
        ("sheet.csv", b"id,part,marking\nvolume,pott,137\n", ("row 2, column part", "'potentiometer'")),
        ("sheet.csv", b"id,part,marking\nvolume,pot,137,6612\n", ("row 2", "4 cells", "quotation marks")),
        ("sheet.csv", b'id,part,marking\nvolume,pot,"137\n', ("row 2", "is no CSV")),
        ("sheet.csv", b"id,prat,marking\nvolume,pot,137\n", ("row 1, column 2", "Did you mean part?")),
        (
            "sheet.csv",
            b"id,part,marking,claim\na,pot,1,1966\nb,pot,2,1967\n",
            ("row 3, column claim", "first row"),
        ),
        ("sheet.csv", b"id,part,marking,claim\na,pot,1,soon\n", ("row 2, column claim", "soon")),
        (
            "sheet.csv",
            b"id,part,marking\n" + b"a,pot,137-6612\n" * 150_000,
            ("larger than 2 MB", "right file"),
        ),
        ("sheet", b"not a sheet at all", ("row 1", "no column")),
    ],
    ids=lambda value: repr(value)[:40],
)
def test_a_sheet_that_cannot_be_taken_is_refused_in_words_with_the_place(tmp_path, name, content, said):
    path = tmp_path / name
    path.write_bytes(content)
    refused(run("check", str(path)), *said)
    refused(run("check", str(path), "--json"), *said)


def test_every_fault_of_a_sheet_is_named_at_once(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text("id,part,marking\na,pott,1\nb,pot,[]\n,pot,2\n", encoding="utf-8")
    refused(run("check", str(path)), "row 4, column id")
    path.write_text("id,part,marking\na,pott,1\nb,pot,[]\n", encoding="utf-8")
    refused(run("check", str(path)), "row 2, column part", "row 3, column marking")


def test_a_file_that_is_not_there_or_is_a_folder_is_refused_in_words(tmp_path):
    refused(run("check", str(tmp_path / "missing.json")), "no such file", "give - for standard input")
    refused(run("check", str(tmp_path)), "that is a folder", ".json or .csv")
    refused(run("check", ""), "that is a folder")
    refused(run("check", str(tmp_path / "a\x07\u202e.json")), "no such file")
    refused(run("check", "n" * 5000 + ".json"), "can't be read")
    refused(run("check"), "Missing argument 'SHEET'")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("part/lag", "did you mean parts/lag"),
        ("lag", "no table is called 'lag'"),
        ("", "names them all"),
        ("x" * 10_000, "names them all"),
        ("../../secrets", "no table is called"),
    ],
)
def test_a_table_that_is_not_there_is_refused_in_words(name, said):
    refused(run("tables", "show", name), said)


# --- a shop's own tables ------------------------------------------------------------------------------------

BANDS = "scheme,prefix,digits,suffix,first,last,from,to,date_kind,note,source,grade\n"
BAND = "tidewater,TB,4,,1,900,1966,1966,stamped,,bench,P\n"
SCHEME = """\
[[scheme]]
id = "tidewater"
family = "serial"
title = "Numbers of the Tidewater Bench (invented)"
maker = "Tidewater Bench"
kinds = ["serial"]
bands = "bands"
timing = "instrument"
source = ["bench"]
grade = "P"
"""


def overlay(folder, *, bands=BANDS + BAND, scheme=SCHEME, descriptor=None):
    """A data package of the invented shop."""
    folder.mkdir(exist_ok=True)
    kinds = {"first": "integer", "last": "integer", "source": "list"}
    files = {"sources": "id,title,address,note\nbench,the shop's own book (invented),,\n", "bands": bands}
    resources = []
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        names = text.splitlines()[0].split(",")
        fields = [{"name": column, "type": kinds.get(column, "string")} for column in names]
        resources.append({"name": name, "path": f"{name}.csv", "schema": {"fields": fields}})
    made = json.dumps({"name": "bench", "version": "2026.11", "resources": resources})
    (folder / "datapackage.json").write_text(made if descriptor is None else descriptor, encoding="utf-8")
    (folder / "schemes.toml").write_text(scheme, encoding="utf-8")
    return str(folder)


NUMBER = ("decode", "TB0815", "--part", "serial", "--maker", "tidewater bench")


def test_a_shops_own_tables_are_read_beside_the_shipped_ones(tmp_path):
    folder = overlay(tmp_path / "bench")
    assert run(*NUMBER).exit_code == 1
    assert "1 reading: 1966" in run("--tables", folder, *NUMBER).stdout
    assert "1 reading: 1966" in run(*NUMBER, env={"PARTDATE_TABLES": folder}).stdout
    assert (
        "1 reading: 1966" in run("--tables", str(tmp_path), *NUMBER).stdout
    )  # the folder that holds the package
    assert run("--tables", folder, "decode", "137-6612", "--part", "pot").exit_code == 0
    assert "bench/bands" in run("--tables", folder, "tables", "list").stdout
    assert run("--tables", folder, "tables", "validate").exit_code == 0
    assert run("tables", "validate", folder).exit_code == 0


BAD_OVERLAYS = {
    "a row of the wrong type": (
        {"bands": BANDS + BAND.replace(",900,", ",many,")},
        ("bands.csv, row 2, column last", "'many'"),
    ),
    "a grade that is none": ({"bands": BANDS + BAND.replace(",P\n", ",Z\n")}, ("row 2, column grade", "'Z'")),
    "a source that is not named": (
        {"bands": BANDS + BAND.replace(",bench,", ",book,")},
        ("row 2, column source", "'book'"),
    ),
    "a cell too many": ({"bands": BANDS + BAND.replace("\n", ",x\n")}, ("row 2", "13 cells")),
    "a band that ends before it begins": (
        {"bands": BANDS + BAND + BAND.replace(",1,900,", ",900,1,")},
        ("row 3, column last", "ends before it begins"),
    ),
    "a period that ends before it begins": (
        {"bands": BANDS + BAND.replace("1966,1966", "1966,1965")},
        ("row 2, column to", "ends before it begins"),
    ),
    "a scheme without bands": ({"bands": BANDS}, ("column scheme", "tidewater", "no row of this scheme")),
    "a layout that can't be": (
        {"scheme": SCHEME.replace('bands = "bands"', 'layouts = ["{yaer2}{digits:3}"]')},
        ("schemes.toml", "tidewater", "yaer2"),
    ),
    "a family that is none": ({"scheme": SCHEME.replace('"serial"\ntitle', '"serail"\ntitle')}, ("serail",)),
    "a kind that is none": ({"scheme": SCHEME.replace('["serial"]', '["serail"]')}, ("serail",)),
    "a key that is none": ({"scheme": SCHEME + "yaers = 1966\n"}, ("yaers", "unknown key")),
    "a file that is no TOML": ({"scheme": "[[scheme]\n"}, ("schemes.toml", "TOML")),
    "a descriptor that is no JSON": ({"descriptor": "{"}, ("datapackage.json", "JSON")),
    "a descriptor that is no object": ({"descriptor": "[]"}, ("datapackage.json",)),
    "a descriptor without tables": ({"descriptor": '{"name": "bench"}'}, ("resources",)),
}


@pytest.mark.parametrize("fault", BAD_OVERLAYS)
def test_tables_that_cannot_be_used_are_refused_with_the_place(tmp_path, fault):
    changes, said = BAD_OVERLAYS[fault]
    folder = overlay(tmp_path / "bench", **changes)
    refused(
        run("--tables", folder, "decode", "137-6612"), "the tables can't be used", *said, "leave --tables"
    )
    refused(run("tables", "validate", folder), "fault", *said)


def test_tables_that_cannot_be_used_are_refused_whatever_is_asked(tmp_path):
    folder = overlay(tmp_path / "bench", bands=BANDS + BAND.replace("1966,1966", "1966,1965"))
    said = ("the tables can't be used", "bench/bands.csv, row 2, column to", "ends before it begins")
    refused(run("tables", "list", env={"PARTDATE_TABLES": folder}), *said)
    refused(run("decode", "137-6612", "--json", env={"PARTDATE_TABLES": folder}), *said)
    refused(run("--tables", folder, "check", "-", stdin=json.dumps(AGREES)), *said)


@pytest.mark.parametrize("args", [("decode", "137-6612"), ("tables", "list"), ("check", "-")])
def test_a_folder_of_tables_that_is_not_there_is_refused(tmp_path, args):
    missing = str(tmp_path / "missing")
    refused(run("--tables", missing, *args, stdin=CSV), "missing", "datapackage.json is needed")
    refused(run(*args, stdin=CSV, env={"PARTDATE_TABLES": missing}), "datapackage.json is needed")


def test_every_fault_of_a_package_is_listed_by_validate(tmp_path):
    bad = BAND.replace(",900,", ",many,") + BAND.replace(",P\n", ",Z\n") * 20
    result = run("tables", "validate", overlay(tmp_path / "bench", bands=BANDS + bad))
    refused(result, "21 faults", "row 2, column last", "row 22, column grade")
    shown = run("--tables", str(tmp_path / "bench"), "decode", "137-6612")
    refused(shown, "row 2, column last", "and 9 more")


# --- a process of its own -----------------------------------------------------------------------------------


def test_the_command_as_a_process():
    result = process("decode", "137-6612", "--part", "pot")
    assert (result.returncode, result.stderr) == (0, b"")
    assert b"\x1b" not in result.stdout
    assert result.stdout.decode().splitlines()[1] == "1 reading: 19 Mar 1966 to 27 Mar 1966"


def test_a_sheet_through_a_pipe_as_a_process():
    result = process("check", "-", "--json", stdin=json.dumps(CONTRADICTED).encode())
    assert (result.returncode, result.stderr) == (1, b"")
    assert json.loads(result.stdout)["outcome"] == "contradicted"


@pytest.mark.skipif(os.name == "nt", reason="a command line of bytes is POSIX")
def test_bytes_that_are_no_text_are_refused_and_never_a_traceback():
    marking = process(b"decode", b"137\xff-6612")
    assert marking.returncode == 2
    assert b"U+DCFF" in marking.stderr
    for args in (
        (b"check", b"\xff.json"),
        (b"decode", b"137", b"--part", b"\xff"),
        (b"tables", b"show", b"\xff"),
    ):
        result = process(*args)
        assert result.returncode == 2
        assert b"Traceback" not in result.stderr
        assert result.stdout == b""


def test_a_terminal_without_the_characters_gets_the_answer_all_the_same():
    result = process(
        "decode", "昭和41年3月", "--part", "label", env={"PYTHONUTF8": "0", "PYTHONIOENCODING": "cp1252"}
    )
    assert result.returncode == 0
    assert b"Mar 1966" in result.stdout
    as_json = process(
        "decode", "昭和41年3月", "--part", "label", "--json",
        env={"PYTHONUTF8": "0", "PYTHONIOENCODING": "cp1252"},
    )  # fmt: skip
    assert json.loads(as_json.stdout)["marking"] == "昭和41年3月"


@pytest.mark.skipif(os.name == "nt", reason="pipes of a POSIX shell")
def test_a_reader_that_stops_early_gets_no_traceback():
    command = f"{sys.executable} -m decoder.cli tables show serials/bands | head -n 1"
    result = subprocess.run(["sh", "-c", command], cwd=ROOT, capture_output=True, check=False)
    assert result.stdout == b"Bands of serial numbers\n"
    assert b"Traceback" not in result.stderr
