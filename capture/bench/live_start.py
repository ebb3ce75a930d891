"""Starts the live bench from the command line's options: record, procedures, recogniser, measurer, voice, server."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from capture.bench.gate.lan import certificate_for, lan_address, readable
from capture.bench.gate.people import People, people_file
from capture.bench.hearing import recogniser_of
from capture.bench.live_desk import Desk, ListenChoice, Settings, VoiceChoice
from capture.bench.live_level import RATE
from capture.bench.live_source import read_practice
from capture.bench.live_types import Listener
from capture.bench.live_wake import Called, wake_words
from capture.bench.measurer import SetupMeasurer
from capture.bench.page.hub import Hub
from capture.bench.page.serve import BenchServer, Network
from capture.bench.page.uploads import picture_type
from capture.bench.pronounceable import check_pronounceable
from capture.bench.resume import shifted
from capture.bench.session import Measurer
from capture.bench.voice import Synthesiser
from capture.camera import Watch, open_camera
from capture.errors import CaptureError, UsageError

if TYPE_CHECKING:
    from capture.procedure.model import Procedure
    from capture.speech.heard import Heard


@dataclass(frozen=True)
class Options:
    """The command line's word; see ``benchwitness bench --help``."""

    place: Path | None = None
    procedures: tuple[str, ...] = ()
    setups: Mapping[str, Path] = field(default_factory=dict)
    workshop: str = ""
    port: int = 0
    microphone: str | None = None
    practice: tuple[Path, ...] = ()
    fast: bool = False
    watch: Path | None = None
    camera: str | None = None
    camera_when_asked: bool = True
    keep_frames: bool = False
    voice: str = "page"
    headset: bool = False
    keep_sound: bool = True
    model: Path | None = None
    listen: str = "open"
    lan: str | None = None
    plain: bool = False
    people: Path | None = None


def run(options: Options, ready: Callable[[str], None] | None = None) -> int:
    """Run the bench until it is stopped; returns the exit code.

    Args:
        options: the command line's word.
        ready: is told the address to open; printed when None.

    Raises:
        CaptureError: something that was named cannot be used.
    """
    from capture.record import Record
    from capture.record.place import record_folder

    settings = settings_of(options)
    network = network_of(options)
    listen = listener_factory(options.model, called=options.listen == "called")
    _warm_up(listen, next(iter(settings.procedures.values())))
    target = record_folder(options.place)
    hub = Hub()
    with Record.open(target) if (target / "ledger.sqlite").exists() else Record.create(target) as record:
        desk = Desk(
            record,
            settings,
            listen,
            measurer_factory(options.setups),
            hub.tell,
            hub.pages,
            Synthesiser.found() if options.voice != "off" else None,
            microphone=options.microphone,
            camera=None if options.camera is None else open_camera(options.camera),
        )
        watch = None if options.watch is None else folder_watch(desk, options.watch)
        if settings.voice != "off" and not desk.has_voice and not options.fast:
            click.echo("espeak-ng is not installed: nothing will be read back aloud, all is on the page.", err=True)
        if watch is not None:
            watch.start()
        try:
            server = BenchServer(desk, hub, options.port, network, kept=config_folder())
            (ready or (lambda address: _print_address(address, target)))(server.address)
            if network is not None and server.lan is not None:
                _print_network(server.lan.origin, network)
            server.run()
        finally:
            if watch is not None:
                watch.stop()
    return 0


def config_folder() -> Path:
    """Where this machine's user keeps what is no part of a record: sessions, the certificate."""
    return people_file().parent


def network_of(options: Options) -> Network | None:
    """What ``--lan`` opens; None without it.

    Raises:
        CaptureError: the address or the list of people cannot be used, or the certificate cannot be made.
    """
    if options.lan is None:
        if options.plain:
            raise UsageError("--plain goes with --lan; without it nothing leaves this machine.")
        return None
    address = lan_address(options.lan)
    people = People(options.people or people_file())
    people.everybody()
    certificate = None if options.plain else certificate_for(config_folder() / "certificate", address)
    return Network(address, certificate, people, options.port)


def settings_of(options: Options) -> Settings:
    """The bench's settings.

    Raises:
        CaptureError: a procedure, setup or practice sound cannot be used.
    """
    from capture.procedure import find, load_procedure, shipped

    if options.fast and not options.practice:
        raise UsageError("--fast is for practice sound; name it with --practice.")
    names = options.procedures or tuple(shipped())
    procedures = {procedure.id: procedure for procedure in (load_procedure(find(name)) for name in names)}
    for procedure in procedures.values():
        check_pronounceable(procedure)
    if options.listen == "called" and (deaf := [p.id for p in procedures.values() if not p.wake]):
        raise UsageError(
            f"The procedure {', '.join(deaf)} has no wake phrase; give it 'wake' under [procedure], or choose another "
            "way to listen."
        )
    return Settings(
        procedures=procedures,
        listen=cast(ListenChoice, options.listen),
        workshop=options.workshop,
        voice=cast(VoiceChoice, options.voice),
        headset=options.headset,
        keep_sound=options.keep_sound,
        practice=read_practice(options.practice),
        fast=options.fast,
        setups=options.setups,
        camera_when_asked=options.camera_when_asked,
        keep_frames=options.keep_frames,
    )


@dataclass
class _Counted:
    """A recogniser, whose times never begin anew, and how many samples it has taken."""

    recogniser: Listener
    samples: int = 0


class FromZero:
    """One stream of a recogniser that is loaded once and used for one stream after another."""

    def __init__(self, counted: _Counted) -> None:
        self._counted = counted
        self._begin_s = counted.samples / RATE

    def accept(self, pcm: bytes) -> list[Heard]:
        """As the recogniser's, with times from this stream's begin."""
        self._counted.samples += len(pcm) // 2
        return [shifted(heard, -self._begin_s) for heard in self._counted.recogniser.accept(pcm)]

    def finish(self) -> list[Heard]:
        """As the recogniser's."""
        return [shifted(heard, -self._begin_s) for heard in self._counted.recogniser.finish()]

    @property
    def partial(self) -> str:
        """As the recogniser's."""
        return self._counted.recogniser.partial


def _warm_up(listen: Callable[[Procedure], Listener], procedure: Procedure) -> None:
    """Load the recogniser while the first job is still being opened; what is wrong with it is said then."""

    def load() -> None:
        with suppress(CaptureError):
            listen(procedure)

    threading.Thread(target=load, name="warm up", daemon=True).start()


def listener_factory(model: Path | None, *, called: bool = False) -> Callable[[Procedure], Listener]:
    """Makes streams of the recogniser; what belongs to a procedure is loaded once.

    ``called``: only what is said after the procedure's wake phrase is handed on.
    """
    loaded: dict[str, _Counted] = {}
    one_at_a_time = threading.Lock()

    def listen(procedure: Procedure) -> Listener:
        with one_at_a_time:
            stream = FromZero(known(procedure))
        return Called(stream, wake_words(procedure)) if called else stream

    def known(procedure: Procedure) -> _Counted:
        if procedure.digest not in loaded:
            loaded.clear()
            wake = wake_words(procedure) if called else ()
            loaded[procedure.digest] = _Counted(recogniser_of(procedure, model, wake))
        return loaded[procedure.digest]

    return listen


def measurer_factory(setups: Mapping[str, Path]) -> Callable[[Procedure], Measurer]:
    """Makes the measurer of a procedure with those setups whose views it has."""

    def measure(procedure: Procedure) -> Measurer:
        views = {view.id for view in procedure.photos}
        return SetupMeasurer(procedure, {view: path for view, path in setups.items() if view in views})

    return measure


def folder_watch(desk: Desk, folder: Path) -> Watch:
    """Hands the pictures that come into ``folder`` to the live job."""

    def take(path: Path, data: bytes) -> None:
        desk.live.photo(data, picture_type(data), None, path.name)

    def trouble(sentence: str) -> None:
        if desk.has_job:
            desk.live.warn("watch", sentence)

    return Watch(folder, take, lambda: desk.has_job, trouble)


def list_microphones() -> int:
    """Print this machine's microphones; returns the exit code."""
    from capture.bench.microphone import microphones

    found = microphones()
    for device in found:
        click.echo(f"{'*' if device.default else ' '} {device.name} ({device.rate} Hz)")
    if not found:
        click.echo("This machine has no microphone; plug one in, or use the browser's.", err=True)
    return 0


def list_cameras() -> int:
    """Print this machine's cameras; returns the exit code."""
    from capture.camera.webcam import devices

    found = devices()
    for device in found:
        click.echo(f"{device.number} {device.name}")
    if not found:
        click.echo("This machine has no camera; plug one in, or use --watch or a phone.", err=True)
    return 0


def _print_address(address: str, target: Path) -> None:
    click.echo(f"record {target}", err=True)
    click.echo("Open this address in a browser of this machine; stop with Ctrl+C.", err=True)
    click.echo(address)


def _print_network(origin: str, network: Network) -> None:
    click.echo(f"On the network: {origin} (login or paired phone only)", err=True)
    if network.certificate is None:
        click.echo(
            "WARNING: not encrypted. Whoever is on this network can read passphrases, sound and pictures.", err=True
        )
    else:
        click.echo(f"certificate SHA-256 {readable(network.certificate.fingerprint)}", err=True)
    if not any(person.removed is None for person in network.people.everybody()):
        click.echo(
            "Nobody can log in yet: 'benchwitness people add NAME --role technician'. Phones can be paired.", err=True
        )
