"""A decoder family in a package of its own: installed beside partdate it is used by every command; broken, it is named.

The package `tests/plugin_package` is installed into a folder of its own and never into the environment of the tests.
"""

import json
import os
import shutil
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "tests" / "plugin_package"


def install(source, target):
    options = ["--quiet", "--disable-pip-version-check", "--no-deps", "--no-build-isolation", "--no-index"]
    command = [sys.executable, "-m", "pip", "install", *options, "--target", str(target), str(source)]
    subprocess.run(command, check=True, capture_output=True, text=True)
    return target


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plugin")
    source = shutil.copytree(PACKAGE, folder / "source", ignore=shutil.ignore_patterns("__pycache__"))
    return install(source, folder / "site")


def partdate(*words, beside=None):
    path = os.pathsep.join(str(p) for p in (beside, ROOT) if p)
    return subprocess.run(
        [sys.executable, "-m", "decoder.cli", *words],
        env={**os.environ, "PYTHONPATH": path, "NO_COLOR": "1"},
        cwd=beside or ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )


def plug(folder, name, module):
    """A distribution as pip leaves it: a module, and metadata that names an entry point."""
    (folder / f"{name}.py").write_text(module, encoding="utf-8")
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(f"[partdate.decoders]\n{name} = {name}:FAMILY\n", encoding="utf-8")
    return folder


def test_without_the_plug_in_its_mark_is_not_read():
    shown = partdate("decode", "TIDE 11832", "--part", "label")
    assert shown.returncode == 1
    assert "Tide stamp" not in shown.stdout


def test_an_installed_family_is_read_by_the_command(installed):
    shown = partdate("decode", "TIDE 11832", "--part", "label", beside=installed)
    assert shown.returncode == 0, shown.stderr
    assert "Tide stamp of Tidewater Bench (invented)" in shown.stdout
    assert "13 Mar 1966" in shown.stdout
    assert "Stamp book of Tidewater Bench" in shown.stdout


@pytest.mark.parametrize("tide", [1000, 11831])
def test_its_reading_is_json_like_any_other(installed, tide):
    shown = partdate("decode", f"TIDE {tide}", "--part", "label", "--json", beside=installed)
    (reading,) = [r for r in json.loads(shown.stdout)["readings"] if r["scheme"] == "tide-stamp"]
    day = (date(1950, 1, 1) + timedelta(days=(tide - 1) // 2)).isoformat()
    assert (reading["window"]["earliest"], reading["window"]["latest"]) == (day, day)
    assert reading["sources"] == [
        {
            "id": "tidewater-bench",
            "title": "Stamp book of Tidewater Bench (invented for demonstration)",
            "grade": "P",
        }
    ]


def test_its_worn_marks_and_near_misses_are_shown(installed):
    worn = json.loads(partdate("decode", "TIDE 118?2", "--part", "label", "--json", beside=installed).stdout)
    (window,) = worn["windows"]
    assert window["earliest"] < "1966-03-13" < window["latest"]
    short = partdate("decode", "TIDE 118", "--part", "label", beside=installed)
    assert short.returncode == 1
    assert "4 or 5 digits after TIDE" in " ".join(short.stdout.split())


def test_it_reads_its_own_kinds_of_part_alone(installed):
    assert "Tide stamp" not in partdate("decode", "TIDE 11832", "--part", "tube", beside=installed).stdout


def test_it_counts_for_a_sheet(installed, tmp_path):
    sheet = {
        "instrument": {"maker": "Harrow & Vale", "claim": "1962"},
        "parts": [{"id": "bench stamp", "part": "body-cavity", "marking": "TIDE 11832"}],
    }
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps(sheet), encoding="utf-8")
    shown = partdate("check", str(path), "--json", beside=installed)
    assert shown.returncode == 1, shown.stderr
    (part,) = json.loads(shown.stdout)["parts"]
    assert part["verdict"] == "too-new"


def test_it_stands_in_the_matrix_of_what_is_covered(installed):
    shown = partdate("tables", "list", "--matrix", beside=installed)
    assert any(line.startswith("tide_stamp") for line in shown.stdout.splitlines())


@pytest.mark.parametrize(
    ("module", "said"),
    [
        (
            "FAMILY = object()\n",
            "plug-in 'broken' is no family: it lacks id, kinds, long_text, read, near_misses",
        ),
        ("import no_such_module\n", "plug-in 'broken' can't be loaded from broken:FAMILY: No module named"),
        ("1 / 0\n", "plug-in 'broken' can't be loaded from broken:FAMILY: division by zero"),
        (
            "",
            "plug-in 'broken' can't be loaded from broken:FAMILY: module 'broken' has no attribute 'FAMILY'",
        ),
        ("from decoder.families.serial import FAMILY\n", "two families are called serial"),
    ],
)
def test_a_broken_plug_in_is_refused_by_name_and_nothing_is_answered_without_it(module, said, tmp_path):
    shown = partdate("decode", "137-6612", "--part", "pot", beside=plug(tmp_path, "broken", module))
    assert shown.returncode == 2
    assert shown.stdout == ""
    assert said in " ".join(shown.stderr.split())
    assert "Traceback" not in shown.stderr


def test_the_tests_own_environment_has_no_plug_in():
    from importlib.metadata import entry_points

    assert [point.name for point in entry_points(group="partdate.decoders")] == []
