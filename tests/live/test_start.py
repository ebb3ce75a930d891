"""The command as a whole: starts, says where, takes pictures from a folder, hears with the real recogniser."""

from __future__ import annotations

import asyncio
import gc
import re
import signal
import socket
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from capture.bench.live_start import FromZero, Options, _Counted, folder_watch, listener_factory, settings_of
from capture.bench.page.hub import Hub
from capture.bench.page.serve import _config, _Server, listening_socket
from capture.camera import Watch
from capture.camera import watch as watching
from capture.commands.bench import command
from capture.errors import AudioError, EnvironmentFault, ProcedureError, UsageError
from capture.procedure import find, load_procedure
from capture.record import verify
from capture.speech import read_audio
from tests.live.stand_ins import BurstListener, bursts, make_bench
from tests.live.test_guard import picture

DEMO = Path(__file__).parents[2] / "demo_media" / "jobs" / "lever-valve" / "sound"


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str, Path]]:
    """The command in a process of its own: process, address, record."""
    place = tmp_path / "record"
    program = "from capture.cli import main; main()"
    options = ["--record", str(place), "--port", "0", "--procedure", "lever_valve"]
    call = [sys.executable, "-c", program, "bench", *options]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        yield process, process.stdout.readline().strip(), place
        process.kill()


def test_the_command_serves_one_address_and_stops_when_interrupted(
    running: tuple[subprocess.Popen[str], str, Path],
) -> None:
    process, address, place = running
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/enter#[\w-]{32}", address)
    with pytest.raises(urllib.error.HTTPError, match="401"):
        urllib.request.urlopen(address.split("/enter")[0], timeout=10)
    process.send_signal(signal.SIGINT)
    process.wait(timeout=15)
    assert process.stderr is not None
    told = process.stderr.read()
    assert "Traceback" not in told
    assert "Open this address" in told
    assert verify(place).ok


@pytest.mark.parametrize(
    ("options", "error", "sentence"),
    [
        (Options(procedures=("no such",)), UsageError, "no such"),
        (Options(fast=True), UsageError, "--fast is for practice"),
        (Options(practice=(Path("nowhere.wav"),)), AudioError, "nowhere.wav"),
    ],
)
def test_what_cannot_be_used_is_said_at_once(options: Options, error: type[Exception], sentence: str) -> None:
    with pytest.raises(error, match=sentence):
        settings_of(options)


def test_a_faulty_procedure_is_refused_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "faulty.toml"
    file.write_text("[procedure]\nid = 3\n", "utf-8")
    with pytest.raises(ProcedureError, match="line 2"):
        settings_of(Options(procedures=(str(file),)))


def test_options_are_checked() -> None:
    for arguments, said in (
        [["--setup", "x"], "write VIEW=FILE"],
        [["--port", "70000"], "70000"],
        [["--voice", "x"], "x"],
    ):
        result = CliRunner().invoke(command, arguments)
        assert result.exit_code == 2
        assert said in result.output


def test_microphones_are_listed_or_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.live.test_sound import FakeSound

    monkeypatch.setattr("capture.bench.microphone.backend", lambda: FakeSound("headset", "camera"))
    result = CliRunner().invoke(command, ["--list-microphones"])
    assert result.output == "* headset (48000 Hz)\n  camera (48000 Hz)\n"


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    taken = listening_socket(0)
    port = taken.getsockname()[1]
    with pytest.raises(EnvironmentFault, match=f"Port {port} .* name another one"):
        listening_socket(port)
    taken.close()


def test_who_does_not_read_what_it_asked_for_is_cut_off_when_the_server_ends() -> None:
    asked = threading.Event()

    async def long(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            for said in ("startup", "shutdown"):
                await receive()
                await send({"type": f"lifespan.{said}.complete"})
        else:
            await send({"type": "http.response.start", "status": 200, "headers": []})
            asked.set()
            await send({"type": "http.response.body", "body": bytes(1 << 26), "more_body": True})

    server, door = _Server(_config(long), Hub()), listening_socket(0)
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[door])), daemon=True)
    thread.start()
    with socket.create_connection(door.getsockname(), timeout=10) as waiting:
        waiting.sendall(b"GET / HTTP/1.1\r\nHost: bench\r\n\r\n")
        assert asked.wait(10)
        server.should_exit = True
        thread.join(10)
        gc.collect()  # a connection that was left open is complained of here
        with suppress(ConnectionResetError):
            while waiting.recv(1 << 20):
                pass


def test_a_folders_new_pictures_are_taken_once_they_are_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "camera"
    folder.mkdir()
    (folder / "old.png").write_bytes(picture())
    bench = make_bench(tmp_path)
    watch = folder_watch(bench.desk, folder)
    (folder / "early.png").write_bytes(picture())
    watch.look()
    watch.look()
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    bench.desk.live.typed("stage assembly")
    bench.desk.live.typed("photo lever side")
    half = picture()[:40]
    (folder / "new.png").write_bytes(half)
    watch.look()
    (folder / "early.png").unlink()
    (folder / "new.png").write_bytes(picture())
    (folder / "notes.txt").write_text("no picture", "utf-8")
    watch.look()
    assert "photo" not in [row.kind for row in bench.record.rows()]
    watch.look()
    watch.look()
    (photo,) = [row for row in bench.record.rows() if row.kind == "photo"]
    assert photo.body["file"] == {"name": "new.png", "time_from": "arrival"}
    (folder / "broken.png").write_bytes(half)
    watch.look()
    watch.look()
    assert bench.desk.board()["troubles"] == [], "it may still be growing"
    monkeypatch.setattr(watching, "PATIENCE_S", 0.0)
    watch.look()
    bench.desk.live.do(lambda: None)
    assert "broken.png was not taken" in bench.desk.board()["troubles"][0]
    bench.desk.close()
    bench.record.close()


def test_a_folder_to_watch_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a folder"):
        Watch(tmp_path / "nowhere", lambda path, data: None, lambda: True, lambda sentence: None)


def test_one_recogniser_serves_one_stream_after_another() -> None:
    counted = _Counted(BurstListener(["leaks none", "hose chafed"]))
    first, begun = FromZero(counted), []
    begun += first.accept(bursts(1))
    first.finish()
    begun += FromZero(counted).accept(bursts(1))
    assert [heard.text for heard in begun] == ["leaks none", "hose chafed"]
    assert begun[0].words[0].start_s == pytest.approx(begun[1].words[0].start_s, abs=0.03)


@pytest.mark.skipif(not (DEMO / "05-leaks.flac").is_file(), reason="the demonstration's sound is not here")
def test_live_sound_is_heard_as_the_same_sound_in_a_file(tmp_path: Path) -> None:
    procedure = load_procedure(find("lever_valve"))
    listen = listener_factory(None)
    audio = read_audio(DEMO / "05-leaks.flac")
    stream = listen(procedure)
    whole = [*stream.accept(audio.pcm()), *stream.finish()]
    bench = make_bench(tmp_path)
    bench.desk._listen = listen
    bench.desk.open_job("lever_valve", "Rhea Okoro", "")
    pcm = audio.pcm()
    for at in range(0, len(pcm), 3200):
        bench.desk.live.ear.feed(pcm[at : at + 3200])
    bench.desk.pause()
    heard = [row.body["heard"]["text"] for row in bench.record.rows() if "heard" in row.body]
    assert list(dict.fromkeys(heard)) == list(dict.fromkeys(one.text for one in whole))
    bench.record.close()
