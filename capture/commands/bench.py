"""``benchwitness bench``: the live bench and its page."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option(
    "--record", "place", type=click.Path(path_type=Path), help="The record's folder; made when it is not there."
)
@click.option(
    "--procedure", "procedures", multiple=True, metavar="NAME", help="Offer this procedure (shipped id or file)."
)
@click.option("--setup", "setups", multiple=True, metavar="VIEW=FILE", help="Measuring setup of a photo view.")
@click.option("--workshop", default="", help="Where the work is done.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8750, show_default=True, help="Port; 0 takes any free one."
)
@click.option("--microphone", metavar="NAME", help="Use this machine's microphone; a part of its name, or 'default'.")
@click.option("--list-microphones", "list_them", is_flag=True, help="List this machine's microphones and leave.")
@click.option(
    "--practice", multiple=True, type=click.Path(path_type=Path), metavar="FILE", help="Sound to practise with."
)
@click.option("--fast", is_flag=True, help="Play practice sound as fast as it is heard, in silence.")
@click.option(
    "--watch", type=click.Path(path_type=Path), metavar="FOLDER", help="Take every picture that comes into it."
)
@click.option("--camera", metavar="NAME", help="Take pictures with this camera: its number, or a part of its name.")
@click.option("--list-cameras", is_flag=True, help="List this machine's cameras and leave.")
@click.option(
    "--camera-when",
    type=click.Choice(["asked", "key"]),
    default="asked",
    show_default=True,
    help="Take a picture as soon as it is asked for aloud, or only by the page's button.",
)
@click.option(
    "--keep-frames",
    type=click.Choice(["best", "all"]),
    default="best",
    show_default=True,
    help="Keep the best frame of a burst in the record, or all that were measured.",
)
@click.option(
    "--voice",
    type=click.Choice(["page", "machine", "off"]),
    default="page",
    show_default=True,
    help="Who reads back: the page, this machine's loudspeaker, or nobody. Needs espeak-ng.",
)
@click.option(
    "--listen",
    type=click.Choice(["open", "called", "held"]),
    default="open",
    show_default=True,
    help="Microphone open; or only what follows the procedure's wake phrase counts; or open while the key L is held.",
)
@click.option("--headset", is_flag=True, help="The microphone does not hear the voice: never shut it for that.")
@click.option(
    "--keep-sound",
    type=click.Choice(["all", "words"]),
    default="all",
    show_default=True,
    help="Keep all sound in the record, or only the clips of what was said.",
)
@click.option(
    "--lan",
    metavar="[ADDRESS]",
    is_flag=False,
    flag_value="auto",
    help="Also serve this machine's network, on one address, to people who log in and phones that are paired.",
)
@click.option("--plain", is_flag=True, help="With --lan: do not encrypt. Only for a network that you trust.")
@click.option(
    "--people",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="With --lan: who may log in; else $BENCHWITNESS_PEOPLE, else in the user's configuration folder.",
)
@click.option("--model", type=click.Path(path_type=Path), help="Another Vosk model directory.")
def command(
    place: Path | None,
    procedures: tuple[str, ...],
    setups: tuple[str, ...],
    workshop: str,
    port: int,
    microphone: str | None,
    list_them: bool,
    practice: tuple[Path, ...],
    fast: bool,
    watch: Path | None,
    camera: str | None,
    list_cameras: bool,
    camera_when: str,
    keep_frames: str,
    voice: str,
    headset: bool,
    keep_sound: str,
    lan: str | None,
    plain: bool,
    people: Path | None,
    model: Path | None,
    listen: str,
) -> int:
    """Run a job live: listen, read back, and show the job on a page of this machine.

    The address that is printed lets browsers of this machine in; keep it to yourself. Other machines reach nothing
    unless --lan is given, and then only with a login ('benchwitness people') or as a phone that was paired on the page.
    Voices are personal data: what the microphone takes in lies in the record's folder and nowhere else.
    """
    from capture.bench import live_start
    from capture.bench.live_start import Options, list_microphones, run

    if list_cameras:
        return live_start.list_cameras()
    if list_them:
        return list_microphones()
    options = Options(
        place=place,
        procedures=procedures,
        setups=dict(_pair(text) for text in setups),
        workshop=workshop,
        port=port,
        microphone=microphone,
        practice=practice,
        fast=fast,
        watch=watch,
        camera=camera,
        camera_when_asked=camera_when == "asked",
        keep_frames=keep_frames == "all",
        voice=voice,
        headset=headset,
        keep_sound=keep_sound == "all",
        model=model,
        listen=listen,
        lan=lan,
        plain=plain,
        people=people,
    )
    return run(options)


def _pair(text: str) -> tuple[str, Path]:
    view, sign, name = text.partition("=")
    if not sign or not view or not name:
        raise click.BadParameter(f"'{text}': write VIEW=FILE", param_hint="--setup")
    return view, Path(name)
