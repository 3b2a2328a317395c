"""schemathesis against the WSGI application: whatever the description allows or forbids, the server keeps to it."""

from __future__ import annotations

import os
import tempfile
from datetime import date

import schemathesis
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from schemathesis.config import ChecksConfig, ProjectConfig, ProjectsConfig, SchemathesisConfig

from decoder.service import create_app
from decoder.service.problems import KINDS
from decoder.tables import shipped

EXAMPLES = int(os.environ.get("PARTDATE_SCHEMATHESIS", "25"))

# What the description names and JSON Schema can't spell out.
schemathesis.openapi.format(
    "marking",
    st.sampled_from(["137-6612", "304 62?1", "13?-6[16]12", "24517", "PAT. PEND.", "MADE IN U.S.A.", "ZZ*9"])
    | st.from_regex(r"[0-9A-Z?]{1,3}[-. /]?[0-9A-Z?]{0,5}", fullmatch=True),
)
schemathesis.openapi.format(
    "kind-of-part", st.sampled_from(["potentiometer", "pot", "serial", "label", "neck-heel"])
)
schemathesis.openapi.format(
    "edtf", st.sampled_from(["1966", "196X", "1965/1967", "1966-03", "1966~", "../1970"])
)


@schemathesis.serializer("application/x-ndjson")
def as_lines(context: schemathesis.SerializationContext, value: object) -> bytes:
    return value.encode("utf-8", "replace") if isinstance(value, str) else b"{}\n"


@schemathesis.serializer("image/*")
def as_photo(context: schemathesis.SerializationContext, value: object) -> bytes:
    return b"GIF89a" + value.encode("utf-8", "replace") if isinstance(value, str) else b"none"


# A sheet whose every field is right may still make no sense (two parts of one id, a value without its feature), which
# no schema can say: such a sheet is refused with 422, and that is no failure.
CHECKS = ChecksConfig.from_dict(
    {
        "positive_data_acceptance": {"expected-statuses": ["2xx", "404", "409", "412", "422"]},
        "negative_data_rejection": {"expected-statuses": ["400", "404", "412", "413", "415", "422", "428"]},
        "missing_required_header": {"expected-statuses": ["404", "415", "422", "428"]},
    }
)
CONFIG = SchemathesisConfig(projects=ProjectsConfig(default=ProjectConfig(checks=CHECKS)))
FOLDER = tempfile.TemporaryDirectory(prefix="partdate-casebook-")
app = create_app(
    {
        "TABLES": shipped(),
        "TODAY": lambda: date(2026, 11, 25),
        "CASEBOOK": f"{FOLDER.name}/casebook.sqlite",
    }
)
schema = schemathesis.openapi.from_wsgi("/openapi.json", app, config=CONFIG)


@schema.parametrize()
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
def test_the_server_keeps_to_its_description(case: schemathesis.Case) -> None:
    # The test client of werkzeug unpacks nothing.
    response = case.call_and_validate(headers={"Accept-Encoding": "identity"})
    assert response.status_code < 500
    if response.status_code >= 400 and response.content:
        body = response.json()
        assert body["type"].rpartition("/")[2] in KINDS
