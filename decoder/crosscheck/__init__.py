"""The cross-check: all parts of one instrument against its claim, and against each other.

`check` takes a sheet and gives an `Assessment`. It reads no clock: without a day, what needs one is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Any, Final

from decoder.catalog import kinds_of
from decoder.crosscheck.agreement import SHOWN
from decoder.crosscheck.assessment import Assessment, Outcome, SecondClaim, assess, outcome_of
from decoder.crosscheck.groups import Members, compare, groups_of
from decoder.crosscheck.lag import Lags
from decoder.crosscheck.narrative import narrate
from decoder.crosscheck.reading_parts import decode_part
from decoder.crosscheck.sheet import Flag, Part, Sheet, SheetError, load_sheet, read_csv
from decoder.crosscheck.traps import traps_of
from decoder.crosscheck.verdict import Evidence, Verdict, weigh
from decoder.crosscheck.wording import day_text, listed
from decoder.scheme.reading import Decoding
from decoder.tables import Tables, shipped
from decoder.window import Claim

__all__ = [
    "Assessment", "Outcome", "Sheet", "SheetError", "Verdict", "check", "load_sheet", "read_csv",
]  # fmt: skip

OWN_TABLES: Final = ("parts/cautions", "parts/kinds", "parts/lag", "parts/settings", "traps/traps")
ADVICE_TABLE: Final = "advice/checklist"


def check(
    sheet: Mapping[str, Any] | Sheet, *, today: date | None = None, tables: Tables | None = None
) -> Assessment:
    """The assessment of one instrument.

    `sheet` is a Sheet, the JSON shape of one, or what `read_csv` gives. A sheet that names its own day in
    `options.today` keeps it, so that its answer stays the same; else `today` is the day; else there is none.

    Raises SheetError with every fault of the sheet.
    """
    facts = tables if tables is not None else shipped()
    loaded = sheet if isinstance(sheet, Sheet) else load_sheet(sheet, facts)
    day = loaded.options.today if loaded.options.today is not None else today
    decodings = [decode_part(part, loaded.instrument, facts, day) for part in loaded.parts]
    claim = loaded.instrument.claim
    evidence = weigh_all(loaded, decodings, facts, claim)
    groups = groups_of(evidence, {kind: row["group_default"] for kind, row in kinds_of(facts).items()})
    spread = facts.setting("lot_spread_weeks")
    made = replace(
        assess(evidence, claim, today=day),
        second_claim=_second_claim(loaded, decodings, facts),
        groups=tuple(compare(name, members, spread) for name, members in groups),
        traps=traps_of(evidence, claim, facts),
        cautions=_cautions(loaded.parts, facts),
        tables=_revisions(decodings, facts),
    )
    if day is not None and loaded.options.estimate:
        made = _estimated(made, loaded, evidence, groups, facts, day)
    made = replace(made, warnings=tuple(_warnings(loaded, made)))
    return replace(made, narrative=narrate(made))


def _estimated(
    made: Assessment,
    sheet: Sheet,
    evidence: tuple[Evidence, ...],
    groups: tuple[Members, ...],
    tables: Tables,
    day: date,
) -> Assessment:
    """The assessment with all that rests on chances: the estimate, the order of explanations, lots, advice."""
    # Here and nowhere else is numpy loaded: decoding, and a check without a day, start without it.
    from decoder.crosscheck.advice import advise
    from decoder.crosscheck.estimate import estimate, weighed
    from decoder.crosscheck.likelihood import Figures, Grid, model_of
    from decoder.crosscheck.posterior import posterior_of

    grid = Grid.until(day)
    if grid is None:
        return made
    posterior = posterior_of(model_of(evidence, grid, Figures.of(tables), groups))
    ease = {one.part.id: one.ease for one in evidence}
    one_lot = posterior.one_lot()
    second = made.second_claim
    return replace(
        made,
        estimate=estimate(posterior, evidence, made.claim),
        explanations=weighed(made.explanations, posterior, ease),
        claim_explanations=weighed(made.claim_explanations, posterior, ease),
        groups=tuple(replace(group, one_lot=one_lot.get(group.name)) for group in made.groups),
        second_claim=replace(second, probability=posterior.chance_of(second.claim.windows))
        if second is not None and posterior.model.parts
        else second,
        advice=advise(
            posterior,
            evidence,
            maker=sheet.instrument.maker,
            claim=made.claim,
            lags=_lags(sheet, tables),
            tables=tables,
        ),
        tables={**made.tables, ADVICE_TABLE: tables.table(ADVICE_TABLE).revision},
    )


def _lags(sheet: Sheet, tables: Tables) -> Lags:
    return Lags.of(tables).changed(sheet.options.lags, sheet.options.replacement_rates)


def weigh_all(
    sheet: Sheet, decodings: Iterable[Decoding | None], tables: Tables, claim: Claim | None
) -> tuple[Evidence, ...]:
    """The evidence of every part, in the order of the sheet, with the sheet's own lags and rates."""
    lags = _lags(sheet, tables)
    kinds = kinds_of(tables)
    return tuple(
        weigh(
            part,
            decoding,
            title=kinds[part.kind]["title"],
            ease=kinds[part.kind]["ease"],
            lags=lags,
            maker=sheet.instrument.maker,
            claim=claim,
        )
        for part, decoding in zip(sheet.parts, decodings, strict=True)
    )


def _second_claim(sheet: Sheet, decodings: Iterable[Decoding | None], tables: Tables) -> SecondClaim | None:
    second = sheet.instrument.second_claim
    if second is None:
        return None
    return SecondClaim(second, outcome_of(weigh_all(sheet, decodings, tables, second), second))


def _warnings(sheet: Sheet, made: Assessment) -> Iterator[str]:
    for name, claim in (("claim", sheet.instrument.claim), ("second claim", sheet.instrument.second_claim)):
        if claim is None:
            continue
        yield from (f"The {name}: {note}" for note in claim.notes)
        begins = claim.window.earliest
        if made.today is not None and begins is not None and begins > made.today.toordinal():
            yield f"The {name} begins on {day_text(begins)}, after the day of this check."
    if sheet.options.lags:
        yield f"The sheet's own lags are used for {listed(sorted(sheet.options.lags))}."
    if sheet.options.replacement_rates:
        yield f"The sheet's own replacement rates are used for {listed(sorted(sheet.options.replacement_rates))}."
    for name, found in (("explanations", made.explanations), ("claim explanations", made.claim_explanations)):
        if found.cut:
            yield f"There are {found.total} {name}; the first {SHOWN} are shown."
    for one in sorted((part.evidence for part in made.parts), key=lambda e: e.part.id):
        reworked = one.part.flags & {Flag.REFINISHED, Flag.FACTORY_REPAIR}
        if one.counts and one.contradicts and reworked:
            said = listed(sorted(flag.value for flag in reworked))
            yield f"{one.part.id} is flagged {said} and still counts; the flag disclosed-replacement leaves it out."
    yield from (f"Trap: {trap.warning}" for trap in made.traps)


def _cautions(parts: Iterable[Part], tables: Tables) -> tuple[tuple[str, str], ...]:
    present = {part.kind for part in parts}
    rows = tables.table("parts/cautions").rows
    return tuple((row["id"], row["text"]) for row in rows if present & set(row["kinds"]))


def _revisions(decodings: Iterable[Decoding | None], tables: Tables) -> dict[str, str]:
    """The revisions of the tables that the answer rests on: the cross-check's own, and those of each reading.

    A reading names its scheme; the scheme's package gives its tables. What was read earlier by others is left
    out, so that the same sheet has the same answer.
    """
    used = {(r.family, r.scheme, r.revision) for one in decodings if one is not None for r in one.readings}
    made = {name: tables.table(name).revision for name in OWN_TABLES}
    loaded = {revision: name for name, revision in tables.revisions().items()}
    packages: set[str] = set()
    for family in sorted({family for family, _, _ in used}):
        schemes = {row["id"]: row["package"] for row in tables.schemes(family)}
        for _, scheme, revision in [one for one in used if one[0] == family]:
            if scheme in schemes:
                packages.add(schemes[scheme])
            else:  # a family that reads its tables itself carries the revision of the one it read
                made[loaded.get(revision, scheme)] = revision
    for name in tables.ids():
        if name.partition("/")[0] in packages:
            made[name] = tables.table(name).revision
    return made
