"""Many at once: batches of up to a thousand markings, and streams of JSON lines of any length.

A stream is read line by line, and each line is answered by a line with its number (from 1, blank lines counted), the
caller's own `id`, and either the answer or a problem; blank lines have no answer. Nothing but the line in hand and a
block of input and output is in memory, whatever the length. A stream that can't go on ends with a line that has no
number: `{"problem": ..., "from_line": n}`, where line n is the first without an answer.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from flask import Blueprint, Flask, Response, current_app, request
from werkzeug.exceptions import ClientDisconnected, RequestEntityTooLarge

from decoder.catalog import decode_marking
from decoder.crosscheck import check as check_sheet
from decoder.crosscheck.sheet import SheetError
from decoder.service.answers import gzipped, json_bytes, takes_gzip
from decoder.service.front import Front, front, owe, payer
from decoder.service.problems import (
    JSON,
    Problem,
    body_of,
    chosen_type,
    must_be_sent_as,
    of_faults,
    parsed,
)
from decoder.service.schemas import Fault, RequestError, load_batch, load_item, own_id_fault, sheet_faults
from decoder.service.settings import Settings, settings

blueprint = Blueprint("many", __name__)

NDJSON: Final = "application/x-ndjson"
BLOCK: Final = 16_384  # bytes that are read at once
ANSWERS: Final = 32_768  # bytes that are sent at once, as soon as there are so many
BATCH_ROOM: Final = 32_000_000  # bytes of answers after which a batch begins no further item
LATER: Final = 1  # seconds after which a stream that found no room may be tried again

Answer = dict[str, Any]


@blueprint.post("/v1/decode/batch")
def decode_batch() -> Response:
    """The decodings of many markings, in their order; an item that can't be taken spoils no other."""
    chosen_type(JSON)
    facts = settings()
    try:
        items = load_batch(body_of(facts.check_limit))
    except RequestError as error:
        raise of_faults(error.faults) from None
    if len(items) > facts.items_limit:
        raise Problem(
            "too-large", f"The batch has {len(items):,} items; at most {facts.items_limit:,} are taken."
        )
    owe(len(items) - 1)
    work = Decoder(current_app._get_current_object(), front(), facts)  # type: ignore[attr-defined]
    until = time.monotonic() + facts.batch_seconds
    answers = []
    size = 0
    for index, item in enumerate(items):
        stopped: Problem | None = None
        if time.monotonic() > until:
            stopped = Problem("out-of-time", f"{facts.batch_seconds:g} seconds were over before this item.")
        elif size > BATCH_ROOM:
            stopped = Problem("too-large", f"The answers before this one fill {BATCH_ROOM // 1_000_000} MB.")
        if stopped is not None:
            answer = {**_own_id(item), "problem": stopped.as_dict()}
        else:
            answer = work.answer(item)
        written = json_bytes({"index": index, **answer})[:-1]
        size += len(written)
        answers.append(written)
    return Response(b'{"items":[' + b",".join(answers) + b"]}\n", mimetype=JSON)


@blueprint.post("/v1/decode/stream")
def decode_stream() -> Response:
    """The decodings of a stream of markings, one JSON line each."""
    return _stream(Decoder, settings().decode_limit)


@blueprint.post("/v1/check/stream")
def check_stream() -> Response:
    """The assessments of a stream of sheets, one JSON line each."""
    return _stream(Checker, settings().check_limit)


# ---------------------------------------------------------------------------------------------------------------
# One item


@dataclass(slots=True)
class Worker:
    """Answers items one by one, outside of any request: nothing that an item holds keeps the next from its answer.

    `cost` is what the items so far take from their client's bucket.
    """

    app: Flask
    front: Front
    facts: Settings
    cost: int = 0

    def answer(self, item: Any) -> Answer:
        """The caller's id if there is one, and either the answer or the problem."""
        own = _own_id(item)
        self.cost += 1
        try:
            return {**own, **self.work(item)}
        except Problem as problem:
            return {**own, "problem": problem.as_dict()}
        except Exception:
            self.app.logger.exception("An item of a batch or stream failed")
            return {
                **own,
                "problem": Problem("internal", "This item failed here. It has been logged.").as_dict(),
            }

    def work(self, item: Any) -> Answer:
        """The answer under its name. Raises Problem for an item that can't be taken."""
        raise NotImplementedError


class Decoder(Worker):
    """Answers markings with decodings."""

    def work(self, item: Any) -> Answer:
        """The decoding of one marking."""
        try:
            marking, context = load_item(item, self.facts.tables, self.facts.today())
        except RequestError as error:
            self.front.metrics.marking("refused")
            raise of_faults(error.faults) from None
        decoding = decode_marking(marking, context).as_dict()
        self.front.metrics.marking(decoding["status"])
        return {"decoding": decoding}


class Checker(Worker):
    """Answers sheets with assessments."""

    def work(self, item: Any) -> Answer:
        """The assessment of one sheet."""
        fault = own_id_fault(item.get("id")) if isinstance(item, dict) else None
        if fault is not None:
            raise of_faults((Fault("/id", fault),), "bad-sheet")
        sheet = (
            {name: value for name, value in item.items() if name != "id"} if isinstance(item, dict) else item
        )
        try:
            assessment = check_sheet(sheet, today=self.facts.today(), tables=self.facts.tables)
        except SheetError as error:
            raise of_faults(sheet_faults(error), "bad-sheet") from None
        self.cost += len(assessment.parts) - 1
        return {"assessment": assessment.as_dict()}


def _own_id(item: Any) -> Answer:
    """The caller's own id, to be given back; nothing where it has none, or none that can be given back."""
    own = item.get("id") if isinstance(item, Mapping) else None
    return {} if own is None or own_id_fault(own) is not None else {"id": own}


# ---------------------------------------------------------------------------------------------------------------
# A stream


def _stream(kind: type[Worker], most: int) -> Response:
    chosen_type(NDJSON)
    must_be_sent_as(NDJSON)
    facts = settings()
    request.max_content_length = facts.stream_limit
    read = request.stream.read  # 413 comes from here, when the length is known
    before = front()
    if not before.streams.acquire(blocking=False):
        raise Problem(
            "busy",
            "All places for streams are taken.",
            headers=[("Retry-After", str(LATER))],
        )
    before.metrics.streams.inc()
    open_still = [True]

    def over() -> None:
        if open_still:  # once, when the last block has been made or the client has gone
            open_still.clear()
            before.metrics.streams.dec()
            before.streams.release()

    work = kind(current_app._get_current_object(), before, facts)  # type: ignore[attr-defined]
    blocks: Iterable[bytes] = _then(answers_to(read, most, work, payer(request.environ)), over)
    response = Response(mimetype=NDJSON, headers={"X-Accel-Buffering": "no", "Vary": "Accept-Encoding"})
    if takes_gzip(request.headers.get("Accept-Encoding", "")):
        response.headers["Content-Encoding"] = "gzip"
        blocks = gzipped(blocks)
    response.response = blocks
    response.call_on_close(over)
    return response


def _then(blocks: Iterable[bytes], over: Callable[[], None]) -> Iterator[bytes]:
    try:
        yield from blocks
    finally:
        over()


def answers_to(read: Callable[[int], bytes], most: int, work: Worker, client: str) -> Iterator[bytes]:
    """The answers to the lines that `read` gives, in blocks of whole lines."""
    rates = work.front.guard.rates
    until = time.monotonic() + work.facts.stream_seconds
    numbers = Lines(read, most)
    made: list[bytes] = []
    size = 0
    try:
        for lines in numbers:
            for number, line in lines:
                stopped = _reason_to_stop(work, until)
                if stopped is not None:
                    made.append(json_bytes({"problem": stopped.as_dict(), "from_line": number}))
                    yield b"".join(made)
                    return
                answer = json_bytes({"line": number, **_answered(work, number, line, most)})
                made.append(answer)
                size += len(answer)
                if size >= ANSWERS:
                    yield b"".join(made)
                    made, size = [], 0
            if made:  # before waiting for more of the question
                yield b"".join(made)
                made, size = [], 0
            if rates is not None:
                rates.owe(client, work.cost)
                work.cost = 0
    except RequestEntityTooLarge:
        large = Problem(
            "too-large",
            f"The stream is larger than {work.facts.stream_limit:,} bytes: send the rest in another.",
        )
        yield b"".join(made) + json_bytes({"problem": large.as_dict(), "from_line": numbers.number})
    except ClientDisconnected:
        return  # there is nobody to tell


def _answered(work: Worker, number: int, line: bytes | None, most: int) -> Answer:
    if line is None:
        large = Problem("too-large", f"Line {number} is longer than {most:,} bytes.")
        return {"problem": large.as_dict()}
    try:
        item = parsed(line, number)
    except Problem as problem:
        return {"problem": problem.as_dict()}
    return work.answer(item)


def _reason_to_stop(work: Worker, until: float) -> Problem | None:
    now = time.monotonic()
    if now > until:
        return Problem(
            "out-of-time",
            f"A stream ends after {work.facts.stream_seconds:g} seconds: send the rest in another.",
        )
    if work.front.streams_end is not None and now > work.front.streams_end:
        return Problem("stopping", "The server is being stopped: send the rest again in a moment.")
    return None


class Lines:
    """The lines of a stream with their numbers, in groups that came together; None for one longer than `most` bytes.

    `number` is that of the line being read. Blank lines are counted and left out.
    """

    def __init__(self, read: Callable[[int], bytes], most: int) -> None:
        self.number = 1
        self._read = read
        self._most = most
        self._begun = bytearray()
        self._too_long = False

    def __iter__(self) -> Iterator[list[tuple[int, bytes | None]]]:
        while block := self._read(BLOCK):
            first, *others = block.split(b"\n")
            self._take(first)
            found = []
            for rest in others:
                found += self._ended()
                self._take(rest)
            yield found
        yield self._ended()

    def _take(self, some: bytes) -> None:
        if len(self._begun) + len(some) > self._most:
            self._too_long = True
        if self._too_long:
            self._begun.clear()
        else:
            self._begun += some

    def _ended(self) -> list[tuple[int, bytes | None]]:
        number, line = self.number, bytes(self._begun)
        self.number += 1
        self._begun.clear()
        if self._too_long:
            self._too_long = False
            return [(number, None)]
        return [(number, line)] if line.strip() else []
