"""The commands and their arguments. Nothing is decided here.

Rooms with weight are imported inside the commands, so that help appears at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer  # noqa: TID251 - the command line is typer's only place

from morningmix.cli import messages
from morningmix.cli.ask import ask_roles
from morningmix.cli.options import (
    Ask,
    Bits,
    Clips,
    Cluster,
    Direction,
    Exact,
    FileFormat,
    Filmed,
    Find,
    Format,
    Json,
    KeepRoom,
    Listen,
    NoBrowser,
    Opened,
    Out,
    Parts,
    Practice,
    Recipe,
    Sent,
    SentFormat,
    Song,
    Trace,
    UpOrDown,
    Width,
    Workers,
)
from morningmix.cli.progress import Bar
from morningmix.cli.usage import Command, Group, decibels
from morningmix.commands.preload import TO_LISTEN, TO_MIX, preload

app = typer.Typer(
    cls=Group,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Turns the raw tracks of a rehearsal into a rough mix and stems, with a recipe to change them by.",
)


@app.command(cls=Command)
def mix(
    sources: Annotated[
        list[Path],
        typer.Argument(metavar="FOLDER...", help="A folder of raw tracks, a recipe, or a recall sheet; or several."),
    ],
    out: Out = None,
    bits: Bits = Width.twenty_four,
    file_format: FileFormat = Format.wav,
    tracks: Annotated[bool, typer.Option("--tracks", help="Also write every cleaned track, to mix yourself.")] = False,
    practice: Practice = None,
    song: Song = None,
    whole: Annotated[bool, typer.Option("--whole", help="Do not cut the take into songs.")] = False,
    album: Annotated[
        bool, typer.Option("--album", help="Keep softer songs softer; the loudest one reaches the target.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Mix every rehearsal that has a recipe inside these folders.")
    ] = False,
    workers: Workers = None,
    cluster: Cluster = None,
    trace: Trace = None,
    as_json: Json = False,
) -> None:
    """Make a rough mix and stems, and a recipe if there is none.

    A folder that holds only folders of tracks counts as one rehearsal in several takes.
    """
    if cluster is None:
        preload(sources, workers, TO_MIX)
    from morningmix.cli.mixing import mix_one, mix_several, recipes_below
    from morningmix.commands.order import Order
    from morningmix.errors import UsageError

    if every:
        sources = recipes_below(sources)
    if len(sources) > 1 and out is not None:
        raise UsageError(
            "--out is one folder, but there are several rehearsals. Leave out --out, or mix them one by one."
        )
    orders = [
        Order(
            source=source,
            cwd=Path.cwd(),
            out=out,
            bits=16 if bits is Width.sixteen else 24,
            file_format="flac" if file_format is Format.flac else "wav",
            tracks=tracks,
            practice=practice,
            song=song,
            whole=whole,
            album=album,
            workers=workers,
            trace=trace,
        )
        for source in sources
    ]
    if len(orders) == 1 and not every:
        mix_one(orders[0], cluster, as_json=as_json)
    else:
        mix_several(orders, cluster, as_json=as_json)


@app.command(name="open", cls=Command)
def open_page(source: Opened = None, out: Out = None, no_browser: NoBrowser = False) -> None:
    """Do the whole job on a page in your browser: who plays what, songs, mix and adjust, send."""
    from morningmix.cli.opening import open_rehearsal

    open_rehearsal(source, out, browser=not no_browser)


@app.command(cls=Command)
def recipe(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with the raw tracks.")],
    out: Out = None,
    ask: Ask = False,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Listen to the tracks and write only the recipe."""
    preload([folder], workers, TO_LISTEN)
    from morningmix.commands.order import Callbacks, Order
    from morningmix.commands.recipe import write_recipe

    order = Order(source=folder, cwd=Path.cwd(), out=out, workers=workers)
    with Bar(shown=not as_json) as bar:
        result = write_recipe(order, Callbacks(progress=bar.show, note=bar.note))
    if as_json:
        messages.as_json({"recipe": str(result.recipe), "new": result.recipe_is_new, **messages.input_facts(result)})
        return
    if ask:
        ask_roles(result)
        return
    where = messages.near(result.recipe)
    messages.line(
        f"The recipe is ready: {where}. Check its names and roles, then: morningmix mix {messages.quoted(where)}"
        if result.recipe_is_new
        else f"{where} is already there and was left as it is. To mix: morningmix mix {messages.quoted(where)}"
    )
    messages.inputs(result)


@app.command(cls=Command)
def check(
    source: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with the raw tracks, or a recipe.")],
    out: Out = None,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Check what was recorded, input by input, and what to change at the desk next time."""
    preload([source], workers, TO_LISTEN)
    from morningmix.commands.check import check as run
    from morningmix.commands.order import Callbacks, Order
    from morningmix.report.decision_words import FINDINGS

    with Bar(shown=not as_json) as bar:
        result = run(
            Order(source=source, cwd=Path.cwd(), out=out, workers=workers), Callbacks(progress=bar.show, note=bar.note)
        )
    if as_json:
        messages.as_json(messages.input_facts(result))
        return
    count = len(result.findings)
    if not count:
        messages.line("All inputs look fine; nothing to change at the desk.")
    else:
        things = "One thing" if count == 1 else f"{count} things"
        messages.line(f"{things} to change next time, worst first:")
        for finding in result.findings:
            messages.line(f"  {messages.sentence(finding)}")
    messages.line()
    width = max((len(input_.name) for input_ in result.inputs), default=0)
    for input_ in result.inputs:
        role = f"{input_.role}{'?' if input_.role_is_guess else ''}"
        kinds = ", ".join(FINDINGS[finding.kind] for finding in result.findings if finding.name == input_.name)
        messages.line(f"  {input_.name:{width}}  {messages.recorded(input_):34}  {role:18}  {kinds}".rstrip())


@app.command(cls=Command)
def songs(
    source: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with the raw tracks, or a recipe.")],
    redo: Annotated[bool, typer.Option("--redo", help="Find them again even if the recipe lists some.")] = False,
    out: Out = None,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Find the songs in a long take and write them into the recipe."""
    preload([source], workers, TO_LISTEN)
    from morningmix.commands.order import Callbacks, Order
    from morningmix.commands.songs import songs as run

    with Bar(shown=not as_json) as bar:
        result = run(
            Order(source=source, cwd=Path.cwd(), out=out, redo=redo, workers=workers),
            Callbacks(progress=bar.show, note=bar.note),
        )
    if as_json:
        messages.as_json(messages.song_facts(result))
        return
    where = messages.near(result.recipe)
    if result.found is None:
        messages.line(
            f"The recipe {where} already lists {messages.counted(len(result.listed), 'song')} and was left as it is. "
            f"To find them again: morningmix songs {messages.quoted(where)} --redo"
        )
    elif not result.found:
        what = f"{where} stays as it is" if result.listed else "the take will be mixed in one piece"
        messages.line(f"No song was found, so {what}.")
    else:
        messages.line(
            f"{messages.found_in_words(result.found)}, and their times are in {where}. Give them their titles there."
        )
        messages.found(result)


@app.command(cls=Command)
def why(
    source: Annotated[Path, typer.Argument(metavar="RECIPE", help="A recipe that has been mixed, or a recall sheet.")],
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", help="Every decision about one input; without it, what matters most."),
    ] = None,
    song: Song = None,
    everything: Annotated[bool, typer.Option("--all", help="Every decision about every input.")] = False,
    sources: Annotated[
        bool, typer.Option("--sources", help="Name the paper or practice behind each decision.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Explain the decisions of the last mix, the most important first."""
    from morningmix.cli.explaining import explain

    explain(source, name, song, everything=everything, sources=sources, as_json=as_json)


@app.command(cls=Command)
def turn(
    recipe_file: Recipe,
    name: Annotated[
        str,
        typer.Argument(metavar="NAME", help="An input as the recipe calls it, or a family such as drums."),
    ],
    *,
    parts: Parts = None,
    direction: UpOrDown,
    by_db: Annotated[
        float,
        typer.Argument(metavar="dB", parser=decibels, help="By how much; 2 dB is clearly audible."),
    ],
    song: Song = None,
    as_json: Json = False,
) -> None:
    """Turn an input or a family up or down in a recipe; the rest of the file stays as it is.

    If an input and a family have the same name, the input is turned. Families are drums, bass, guitars, keys, vocals,
    horns, strings, playback and extras.
    """
    from morningmix.errors import UsageError
    from morningmix.files.recipe import band_of
    from morningmix.files.recipe_edit import PARTS
    from morningmix.files.recipe_edit import turn as turned
    from morningmix.storage.lock import editing
    from morningmix.storage.text import read_text, write_text_whole

    if parts and len(parts) > 1:
        raise UsageError(f"One thing at a time, please: {' or '.join(parts)}.")
    part = str(parts[0]) if parts else "level"
    step_db = by_db if direction is Direction.up else -by_db
    with editing(recipe_file):
        text = read_text(recipe_file)
        text, old_db, new_db = turned(text, name, step_db, song, PARTS[part], band_of(recipe_file, text))
        write_text_whole(recipe_file, text)
    if as_json:
        facts = {"recipe": str(recipe_file), "name": name, "song": song, "key": PARTS[part]}
        messages.as_json({**facts, "old_db": old_db, "new_db": new_db})
        return
    where = f' in "{song}"' if song else ""
    messages.line(
        f"{messages.PARTS[part].format(f'{name}{where}')} now at {new_db:+g} dB (was {old_db:+g}). "
        f"To hear it: morningmix mix {messages.quoted(str(recipe_file))}"
    )


@app.command(cls=Command)
def remember(
    source: Annotated[Path, typer.Argument(metavar="FOLDER", help="A mix folder, its recipe, or the raw tracks.")],
    yes: Annotated[bool, typer.Option("--yes", help="Write it without asking.")] = False,
    as_json: Json = False,
) -> None:
    """Write into band.toml what this rehearsal taught, so that the next one starts with it."""
    from morningmix.cli.remembering import remember_rehearsal

    remember_rehearsal(source, yes=yes, as_json=as_json)


@app.command(cls=Command)
def wishes(
    recipe_file: Recipe,
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="Text files with what people copied from the songs' pages."),
    ],
    as_json: Json = False,
) -> None:
    """Put the band's wishes into a recipe; where they disagree, nothing is changed."""
    from dataclasses import asdict

    from morningmix.commands.feedback import take_wishes
    from morningmix.storage.lock import editing

    with editing(recipe_file):
        taken = take_wishes(recipe_file, files, messages.skipped)
    if as_json:
        messages.as_json(asdict(taken))
        return
    messages.wishes_taken(taken, recipe_file)


@app.command(cls=Command)
def share(
    home: Annotated[Path, typer.Argument(metavar="FOLDER", help="A mix folder, or its recipe.")],
    out: Out = None,
    kind: SentFormat = Sent.mp3,
    one_zip: Annotated[bool, typer.Option("--zip", help="Also write one zip of it all, beside the folder.")] = False,
    as_json: Json = False,
) -> None:
    """Pack the mixes to send round: small tagged files and a page that lists them."""
    from morningmix.share.packing import zipped
    from morningmix.share.send import share as run

    with Bar(shown=not as_json) as bar:
        folder, shared = run(home, out, "flac" if kind is Sent.flac else "mp3", bar.show, messages.skipped)
        archive = zipped(folder, folder.name) if one_zip else None
    if as_json:
        files = [
            {"title": file.title, "file": str(file.file), "peak_dbtp": file.peak_dbtp, "lowered_db": file.lowered_db}
            for file in shared
        ]
        facts = {"folder": str(folder), "files": files}
        messages.as_json(facts if archive is None else facts | {"zip": str(archive)})
        return
    where = messages.near(folder)
    messages.line(
        f"Packed {messages.counted(len(shared), 'song')} into {where}. Send the folder, or open {where}/index.html."
    )
    for file in shared:
        peak = "silent" if file.peak_dbtp is None else f"highest peak {-file.peak_dbtp:.1f} dB below clipping"
        lowered = f", {file.lowered_db:.1f} dB softer to keep it there" if file.lowered_db else ""
        messages.line(f"  {messages.near(file.file)}  {peak}{lowered}")
    if archive is not None:
        messages.line(f"All of it in one file: {messages.near(archive)}")


@app.command(cls=Command)
def compare(
    first: Annotated[Path, typer.Argument(metavar="FIRST", help="A mix folder, its recipe, or one song's folder.")],
    second: Annotated[Path, typer.Argument(metavar="SECOND", help="Another one, or an earlier version.")],
    listen: Listen = None,
    as_json: Json = False,
) -> None:
    """Compare two mixes of a song, both at the same loudness."""
    from morningmix.cli.comparing import compare_mixes

    compare_mixes(first, second, listen, as_json=as_json)


@app.command(cls=Command)
def film(
    source: Filmed,
    clips: Clips,
    *,
    find: Find = False,
    exact: Exact = False,
    keep_room: KeepRoom = None,
    out: Out = None,
    as_json: Json = False,
) -> None:
    """Write a film of each song, with the mix as its sound, from what a camera or a phone filmed."""
    from morningmix.cli.filming import film_clips

    film_clips(source, clips, out, find=find, exact=exact, keep_room_db=keep_room, as_json=as_json)
