"""partdate serve: where it listens, what it says, and what it refuses to open to the network."""

from __future__ import annotations

import json
import socket
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress

import pytest

from decoder.service import serving
from decoder.tables import Tables


@pytest.fixture
def address(shipped: Tables) -> Iterator[str]:
    server = serving.listening(shipped, "127.0.0.1", 0)

    def run() -> None:
        with suppress(OSError):  # its sockets are closed under it when the test is over
            server.run()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    yield serving.address_of("127.0.0.1", server.effective_port)
    server.close()
    thread.join(timeout=10)


def test_a_served_page_and_endpoint_answer(address: str) -> None:
    with urllib.request.urlopen(f"{address}?marking=137-612&part=pot", timeout=10) as answer:
        assert b"reads as one of" in answer.read()
        assert answer.headers["Server"] == "partdate"
    asked = urllib.request.Request(
        f"{address}v1/decode",
        json.dumps({"marking": "137-612"}).encode(),
        {"Content-Type": "application/json"},
    )
    with urllib.request.urlopen(asked, timeout=10) as answer:
        assert json.load(answer)["status"] == "read"


def test_a_page_of_another_site_that_points_its_name_here_is_refused(address: str) -> None:
    asked = urllib.request.Request(address, headers={"Host": "elsewhere.example"})
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(asked, timeout=10)
    assert refused.value.code == 400
    refused.value.close()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "2001:db8::1", "example.org", ""])
def test_an_address_that_others_could_reach_is_refused(shipped: Tables, host: str) -> None:
    with pytest.raises(serving.NotServed, match="no password or token yet") as refused:
        serving.serve(shipped, host, 0)
    assert refused.value.exit_code == 2
    assert "127.0.0.1" in str(refused.value)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.2", "localhost", "::1"])
def test_an_address_of_this_machine_alone_is_taken(host: str) -> None:
    assert serving.is_loopback(host)


def test_a_port_that_is_taken_is_named(shipped: Tables, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(serving.NotServed, match=f"port {port}") as refused:
            serving.serve(shipped, "127.0.0.1", port)
    refused.value.show()
    assert capsys.readouterr().err.startswith("partdate: nothing can listen at 127.0.0.1")


def test_the_place_of_the_page_is_printed(
    shipped: Tables, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Stopped:
        effective_port = 8123
        closed = False

        def run(self) -> None:
            raise KeyboardInterrupt

        def close(self) -> None:
            self.closed = True

    server = Stopped()
    monkeypatch.setattr(serving, "listening", lambda *_: server)
    serving.serve(shipped, "127.0.0.1", 0)
    said = capsys.readouterr().out
    assert "http://127.0.0.1:8123/" in said and said.endswith("Stopped.\n")
    assert server.closed


def test_an_address_of_the_newer_kind_is_written_with_brackets() -> None:
    assert serving.address_of("::1", 8000) == "http://[::1]:8000/"
