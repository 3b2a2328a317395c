"""The description of the endpoint: current, complete, true of real answers, and to be read in a browser."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient

from decoder.cli import main
from decoder.export import COLUMNS
from decoder.service import create_app, openapi, reference
from decoder.service.problems import KINDS
from decoder.tables import Tables
from tests.service.conftest import TODAY

ROOT = Path(__file__).resolve().parent.parent.parent
Read = Callable[..., Any]
DOCUMENT = openapi.document()
OPERATIONS = [
    (path, method, operation)
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
]
IDS = [operation["operationId"] for _, _, operation in OPERATIONS]


KEPT = "tidewater-1"


@pytest.fixture(scope="module")
def keeping(shipped: Tables, tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    """A client of a server with a casebook that holds a sheet and the photo of the examples."""
    place = tmp_path_factory.mktemp("casebook") / "casebook.sqlite"
    made = create_app({"TABLES": shipped, "TODAY": lambda: TODAY, "CASEBOOK": str(place)}).test_client()
    assert made.post("/v1/photos", data=openapi.PHOTO, content_type="image/gif").status_code == 201
    assert made.post("/v1/sheets", json={"id": KEPT, "sheet": openapi.SHEET}).status_code == 201
    return made


@pytest.mark.parametrize(
    ("name", "made"),
    [("openapi.json", openapi.text), ("assessment.csv-metadata.json", openapi.csv_metadata_text)],
)
def test_the_written_description_is_the_one_that_the_code_gives(name: str, made: Callable[[], str]) -> None:
    written = (ROOT / "api_spec" / name).read_text(encoding="utf-8")
    assert written == made(), f"api_spec/{name} is stale: see DEVELOPERS.md for the command that writes it"


def test_one_command_writes_the_description(tmp_path: Path) -> None:
    path = tmp_path / "openapi.json"
    assert CliRunner().invoke(main, ["openapi", "-o", str(path)]).exit_code == 0
    assert path.read_text(encoding="utf-8") == openapi.text()
    assert CliRunner().invoke(main, ["openapi"]).output == openapi.text()
    assert json.loads(CliRunner().invoke(main, ["openapi", "--csvw"]).output)["tableSchema"]
    refused = CliRunner().invoke(main, ["openapi", "-o", str(tmp_path / "no" / "where")])
    assert refused.exit_code == 2 and "can't be written" in " ".join(refused.output.split())


def test_the_served_description_is_the_same(client: FlaskClient) -> None:
    response = client.get("/openapi.json")
    assert response.json == DOCUMENT
    assert response.json["openapi"].startswith("3.1.")
    tag = response.headers["ETag"]
    assert client.get("/openapi.json", headers={"If-None-Match": tag}).status_code == 304
    columns = client.get("/assessment.csv-metadata.json")
    assert columns.mimetype == "application/csvm+json"
    assert [one["name"] for one in columns.json["tableSchema"]["columns"]] == [name for name, _, _ in COLUMNS]


def test_every_route_for_programs_is_described_with_its_methods(keeping: FlaskClient) -> None:
    described = {(path, method.upper()) for path, method, _ in OPERATIONS}
    served = {
        (rule.rule.replace("<", "{").replace(">", "}"), method)
        for rule in keeping.application.url_map.iter_rules()
        if rule.endpoint.split(".")[0] in ("api", "many", "listing", "sheets")
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    assert described == served


def test_names_of_operations_are_their_own_and_no_reference_leads_nowhere() -> None:
    assert len(IDS) == len(set(IDS))
    text = json.dumps(DOCUMENT)
    for name in DOCUMENT["components"]["schemas"]:
        assert f'"#/components/schemas/{name}"' in text, f"{name} is used nowhere"
    validator(next(iter(DOCUMENT["components"]["schemas"])))


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if "$ref" in value:
            yield value["$ref"]
        for inner in value.values():
            yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def test_every_reference_is_met() -> None:
    for found in references(DOCUMENT):
        assert found.removeprefix("#/components/schemas/") in DOCUMENT["components"]["schemas"]


def test_everything_is_said_in_words() -> None:
    for name, shape in DOCUMENT["components"]["schemas"].items():
        assert shape["description"], name
        silent = [field for field, made in shape["properties"].items() if not made.get("description")]
        assert silent == [], f"{name} says nothing of {silent}"
    for _, _, operation in OPERATIONS:
        assert operation["summary"] and operation["description"]
        for parameter in operation.get("parameters", ()):
            assert parameter["description"]


def test_what_is_asked_has_known_fields_alone_and_what_is_answered_may_grow() -> None:
    shapes = DOCUMENT["components"]["schemas"]
    for name in ("Question", "QuestionItem", "QuestionBatch", "Sheet", "Part", "Instrument", "Options"):
        assert shapes[name]["additionalProperties"] is False
    for name in ("Decoding", "Reading", "Assessment", "Problem", "BatchItem"):
        assert "additionalProperties" not in shapes[name]


def validator(name: str) -> jsonschema_rs.Validator:
    return jsonschema_rs.validator_for(
        {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}, validate_formats=True
    )


def examples_of(content: dict[str, Any]) -> Iterator[tuple[str, str, Any, str | None]]:
    for mimetype, offered in content.items():
        shape = offered.get("x-line-schema", offered["schema"]).get("$ref")
        for name, example in offered["examples"].items():
            yield mimetype, name, example["value"], shape.rpartition("/")[2] if shape else None


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS, ids=IDS)
def test_every_example_has_the_shape_that_is_described(
    path: str, method: str, operation: dict[str, Any]
) -> None:
    contents = [answer["content"] for answer in operation["responses"].values() if "content" in answer]
    contents += [operation["requestBody"]["content"]] if "requestBody" in operation else []
    seen = 0
    for content in contents:
        for mimetype, name, value, shape in examples_of(content):
            seen += 1
            if shape is None:
                assert isinstance(value, str)
                continue
            values = [json.loads(line) for line in value.splitlines()] if isinstance(value, str) else [value]
            for one in values:
                if path == "/v1/check/stream" and shape == "Sheet":
                    one.pop("id")
                validator(shape).validate(one)
            assert values, f"{mimetype} example {name} is empty"
    assert seen >= 2


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS, ids=IDS)
def test_every_example_of_a_request_is_answered(
    keeping: FlaskClient, path: str, method: str, operation: dict[str, Any]
) -> None:
    asked = path.format(package="invented", name="bands", id=KEPT, sha256=openapi.PHOTO_SHA256)
    wanted = next(int(status) for status in operation["responses"])
    if "requestBody" not in operation:
        assert keeping.open(asked, method=method).status_code == wanted
        return
    needed = {one["name"]: "*" for one in operation.get("parameters", ()) if one["in"] == "header"}
    for mimetype, name, value, _ in examples_of(operation["requestBody"]["content"]):
        body = value if isinstance(value, str) else json.dumps(value)
        response = keeping.open(asked, method=method, data=body, content_type=mimetype, headers=needed)
        assert response.status_code == wanted, f"{name}: {response.text[:300]}"
        assert response.data
        response.close()


def test_examples_tell_of_invented_makers_alone() -> None:
    text = json.dumps([openapi.OPERATIONS, openapi.SHEET], default=str)
    for operation in openapi.OPERATIONS:
        for _, _, examples in (*operation.answers, *([operation.takes] if operation.takes else [])):
            text += json.dumps(examples)
    makers = {part.partition('"')[0] for part in text.split('"maker": "')[1:]}
    assert makers == {openapi.MAKER}


MARKINGS = [
    ("137-6612", "pot"), ("137-612", None), ("137-6699", "pot"), ("ZZTOP", None), ("PAT. NO. 2,741,146", "tuner"),
    ("24517", "serial"), ("13?-?[68]1?", "pot"), ("PAT. PEND.", "label"), ("MADE IN W. GERMANY", "label"),
    ("???", None),
]  # fmt: skip


@pytest.mark.parametrize(("marking", "part"), MARKINGS)
def test_real_decodings_have_the_shape_that_is_described(
    client: FlaskClient, marking: str, part: str | None
) -> None:
    asked = {"marking": marking, **({"part": part} if part else {})}
    validator("Decoding").validate(client.post("/v1/decode", json=asked).json)


SHEETS = sorted(path for path in (ROOT / "demo").glob("*.json"))


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_real_assessments_have_the_shape_that_is_described(client: FlaskClient, path: Path) -> None:
    sheet = json.loads(path.read_text(encoding="utf-8"))
    validator("Sheet").validate(sheet)
    sheet["instrument"]["second_claim"] = "1972"
    validator("Assessment").validate(client.post("/v1/check", json=sheet).json)


def test_real_problems_and_lists_have_the_shape_that_is_described(client: FlaskClient) -> None:
    for body in ({}, {"marking": "["}, {"marking": "1", "x": 1}, []):
        validator("Problem").validate(client.post("/v1/decode", json=body).get_json(force=True))
    for path, name in (
        ("/v1/schemes", "Schemes"), ("/v1/parts", "Parts"), ("/v1/tables", "Tables"),
        ("/v1/tables/parts/lag", "Table"), ("/healthz", "Health"), ("/readyz", "Ready"),
    ):  # fmt: skip
        validator(name).validate(client.get(path).json)


def test_what_a_real_casebook_answers_has_the_shape_that_is_described(keeping: FlaskClient) -> None:
    kept = f"/v1/sheets/{KEPT}"
    for path, name in (
        (kept, "Stored"), ("/v1/sheets", "Sheets"), (f"{kept}/history", "History"),
        (f"{kept}/assessments", "Assessments"), (f"{kept}/assessments?full=true", "Assessments"),
    ):  # fmt: skip
        validator(name).validate(keeping.get(path).json)
    whole = {"id": "tidewater-whole", **openapi.RECORD}
    validator("NewRecord").validate(whole)
    validator("Stored").validate(keeping.post("/v1/sheets", json=whole).json)
    again = keeping.post("/v1/sheets", json=whole)
    stale = keeping.put(kept, json=openapi.RECORD, headers={"If-Match": '"seen-long-ago"'})
    for refused, status in ((again, 409), (stale, 412)):
        assert refused.status_code == status
        body = refused.get_json(force=True)
        validator("Problem").validate(body)
        validator("Stored").validate(body["current"])
        validator("Record").validate(body["yours"])


def test_every_kind_of_problem_is_described_somewhere_or_belongs_to_the_server_as_a_whole() -> None:
    described = {
        name
        for _, _, operation in OPERATIONS
        for status, answer in operation["responses"].items()
        if status not in ("200", "201", "304")
        for name in answer["content"]["application/problem+json"]["examples"]
    }
    undescribed = set(KINDS) - described
    assert undescribed == {"method-not-allowed", "headers-too-large", "out-of-time"}


# --- the page


def test_the_reference_shows_every_operation_and_every_shape(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/reference"))
    assert found.status == 200
    for path, method, operation in OPERATIONS:
        assert f"{method.upper()} {path}" in found.text
        assert f"#op-{operation['operationId']}" in found.links
        assert f'id="op-{operation["operationId"]}"' in found.raw
    for name in DOCUMENT["components"]["schemas"]:
        assert f'id="shape-{name}"' in found.raw
    inside = {link[1:] for link in found.links if link.startswith("#")}
    assert inside <= set(found.ids)
    assert "/openapi.json" in found.links and "Harrow &amp; Vale" in found.raw
    assert "**" not in found.text and "`" not in found.text


def test_the_reference_is_not_sent_again_and_works_below_a_prefix(client: FlaskClient) -> None:
    tag = client.get("/reference").headers["ETag"]
    assert client.get("/reference", headers={"If-None-Match": tag}).status_code == 304
    raw = client.get("/reference", environ_overrides={"SCRIPT_NAME": "/bench"}).text
    links = re.findall(r' href="([^"]*)"', raw)
    assert links and all(link.startswith(("/bench/", "#")) for link in links)


def test_types_are_said_in_words() -> None:
    assert reference.kind_of({"$ref": "#/components/schemas/Window"}) == [("Window", "Window")]
    assert reference.kind_of({"type": "array", "items": {"type": "integer"}}) == [
        ("list of ", None),
        ("integer", None),
    ]
    assert reference.kind_of({"anyOf": [{"$ref": "#/components/schemas/A"}, {"type": "null"}]}) == [
        ("A", "A"), (" or ", None), ("null", None),
    ]  # fmt: skip
    assert reference.kind_of({"type": "string", "enum": ["read", None]}) == [("string, one of read", None)]
    assert reference.kind_of({"type": "integer", "minimum": 1, "maximum": 1000}) == [
        ("integer, from 1 to 1,000", None)
    ]


def test_the_day_of_the_examples_is_fixed() -> None:
    assert date.fromisoformat(openapi.ASSESSMENT["today"])
