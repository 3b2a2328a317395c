"""Where two versions of a sheet differ, field by field, so that a person can choose between them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

ORDER: Final = "order"


@dataclass(frozen=True, slots=True)
class Difference:
    """One field that is not the same in both: of which part (none: of the instrument), and its text in each version.

    `before` is the text in the version that both were made from; None where that is not known.
    """

    part: str
    name: str
    before: str | None
    theirs: str
    yours: str


def differences(
    before: Mapping[str, Any] | None, theirs: Mapping[str, Any], yours: Mapping[str, Any]
) -> tuple[Difference, ...]:
    """The fields in which two sheets, in the JSON shape, differ, in the order in which they stand."""
    fields = {which: dict(_fields(sheet)) for which, sheet in (("theirs", theirs), ("yours", yours))}
    known = dict(_fields(before)) if before is not None else None
    places = dict.fromkeys((*fields["yours"], *fields["theirs"]))
    return tuple(
        Difference(
            part,
            name,
            None if known is None else known.get((part, name), ""),
            fields["theirs"].get((part, name), ""),
            fields["yours"].get((part, name), ""),
        )
        for part, name in places
        if fields["theirs"].get((part, name)) != fields["yours"].get((part, name))
    )


def _fields(sheet: Mapping[str, Any]) -> Iterator[tuple[tuple[str, str], str]]:
    for name, value in (sheet.get("instrument") or {}).items():
        yield ("", name), _text(value)
    for part in sheet["parts"]:
        for name, value in part.items():
            if name == "override":
                yield from (((part["id"], f"override_{one}"), _text(text)) for one, text in value.items())
            elif name != "id":
                yield (part["id"], name), _text(value)
    if sheet.get("options"):
        yield ("", "options"), _text(sheet["options"])
    yield ("", ORDER), ", ".join(part["id"] for part in sheet["parts"])


def _text(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(_text, value))
    if isinstance(value, Mapping):
        return "; ".join(f"{name}: {_text(inner)}" for name, inner in sorted(value.items()))
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
