"""The command line: arguments, progress, words, exit codes. Nothing is decided here.

Rooms with weight are imported inside the commands, so that help appears at once.
"""

from __future__ import annotations

import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer  # noqa: TID251 - the command line is typer's only place

from morningmix import say
from morningmix.names import visible

if TYPE_CHECKING:
    from morningmix.errors import MorningmixError
    from morningmix.pipeline import Result

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Raw tracks of a rehearsal in; a rough mix, stems and a recipe to change it by out.",
)


class Width(StrEnum):
    """Bits per sample of the files."""

    sixteen = "16"
    twenty_four = "24"


class Format(StrEnum):
    """File format of mix, stems and tracks."""

    wav = "wav"
    flac = "flac"


class Direction(StrEnum):
    """Which way to turn a level."""

    up = "up"
    down = "down"


Out = Annotated[Path | None, typer.Option("--out", help="Where to put it, instead of the usual place.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result for a program to read.")]
Workers = Annotated[int | None, typer.Option("--workers", min=1, max=64, help="How many cores to use.")]


@app.command()
def mix(
    sources: Annotated[
        list[Path], typer.Argument(help="Folder with the raw tracks, a recipe, or a recall sheet; or several.")
    ],
    out: Out = None,
    bits: Annotated[Width, typer.Option(help="Bits per sample of the files.")] = Width.twenty_four,
    file_format: Annotated[Format, typer.Option("--format", help="Format of the files.")] = Format.wav,
    tracks: Annotated[bool, typer.Option("--tracks", help="Also write every cleaned track, to mix by hand.")] = False,
    practice: Annotated[
        bool, typer.Option("--practice", help="Also a mix without, and one with more of, each player who is named.")
    ] = False,
    song: Annotated[str | None, typer.Option(help="Mix only the song with this title.")] = None,
    whole: Annotated[bool, typer.Option("--whole", help="Do not cut the take into songs.")] = False,
    album: Annotated[
        bool, typer.Option("--album", help="Leave softer songs softer; the loudest comes to the target.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Mix every recipe one folder down, in the folders that are named.")
    ] = False,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Make a rough mix and stems; write a recipe if there is none.

    A folder with nothing but folders of tracks is one rehearsal in several takes.
    """
    from morningmix.errors import MorningmixError, UsageError
    from morningmix.pipeline import Order
    from morningmix.pipeline import mix as run

    if every:
        sources = _recipes_below(sources)
    if len(sources) > 1 and out is not None:
        raise UsageError(
            "--out names one place, and several rehearsals need several. Leave it away, or mix them singly."
        )
    results: list[Result] = []
    failed: list[MorningmixError] = []
    for number, source in enumerate(sources, 1):
        order = Order(
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
        )
        try:
            with _Bar(shown=not as_json, of=(number, len(sources))) as bar:
                results.append(run(order, bar.told))
        except MorningmixError as error:
            if len(sources) == 1:
                raise
            failed.append(error)
            say.line(f"morningmix: {source} could not be mixed. {error}", err=True)
        else:
            if not as_json:
                say.mixed(results[-1])
    if as_json:
        say.as_json(say.mix_facts(results[0]) if len(sources) == 1 else [say.mix_facts(one) for one in results])
    elif len(sources) > 1:
        say.line(f"{len(results)} of {len(sources)} rehearsals are mixed.")
    if failed:
        raise typer.Exit(failed[0].exit_code)


def _recipes_below(folders: list[Path]) -> list[Path]:
    from morningmix.errors import UsageError

    found = [path for folder in folders for path in sorted(folder.glob("*/recipe.toml"))]
    if not found:
        where = ", ".join(map(str, folders))
        raise UsageError(f"There is no recipe one folder down in {where}. --all goes through the homes in a folder.")
    return found


@app.command()
def recipe(
    folder: Annotated[Path, typer.Argument(help="Folder with the raw tracks.")],
    out: Out = None,
    ask: Annotated[bool, typer.Option("--ask", help="Walk through the inputs whose role is a guess.")] = False,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Listen to the tracks and write the recipe only."""
    from morningmix.pipeline import Order, write_recipe

    order = Order(source=folder, cwd=Path.cwd(), out=out, workers=workers)
    with _Bar(shown=not as_json) as bar:
        result = write_recipe(order, bar.told)
    if as_json:
        say.as_json({"recipe": str(result.recipe), "new": result.recipe_is_new, **say.input_facts(result)})
        return
    if ask:
        _ask(result)
        return
    where = say.near(result.recipe)
    say.line(
        f"Wrote {where}. Check the names and roles in it, then: morningmix mix {say.quoted(where)}"
        if result.recipe_is_new
        else f"{where} is already there and was left as it is. Mix it with: morningmix mix {say.quoted(where)}"
    )
    say.inputs(result)


def _ask(result: Result) -> None:
    """One question an input whose role is a guess; what is answered is written at once."""
    from morningmix.errors import RecipeError
    from morningmix.files.presets import load_roles
    from morningmix.files.recipe_text import confirm
    from morningmix.files.text import read_text, write_text_whole
    from morningmix.lock import editing

    where = say.near(result.recipe)
    guesses = result.guesses
    if not guesses:
        say.line(f"Every role in {where} is settled. Mix it with: morningmix mix {say.quoted(where)}")
        return
    say.line(f"{len(guesses)} roles in {where} are guesses. Enter takes a guess; or type the role; ? lists them.")
    settled = 0
    for one in guesses:
        say.line()
        say.line(f"{' + '.join(one.facts.files)}  {one.name}")
        say.line(f"  {say.activity(one)}  peaks at {one.facts.peak_dbfs:.0f} dBFS")
        while True:
            say.line(f"  {one.role}? ", nl=False)
            answer = sys.stdin.readline()
            if not answer:
                say.line()
                say.line(f"Stopped there; {settled} of {len(guesses)} are settled in {where}.")
                return
            if answer.strip() == "?":
                say.line("  " + ", ".join(load_roles()))
                continue
            try:
                with editing(result.recipe):
                    text = confirm(read_text(result.recipe), one.name, answer.strip() or one.role)
                    write_text_whole(result.recipe, text)
            except RecipeError as error:
                say.line(f"  {error}")
                continue
            settled += 1
            break
    say.line()
    say.line(f"All settled. Mix it with: morningmix mix {say.quoted(where)}")


@app.command()
def check(
    source: Annotated[Path, typer.Argument(help="Folder with the raw tracks, or a recipe.")],
    out: Out = None,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Say what the recorder got, input by input, and what to change at the desk next time."""
    from morningmix.pipeline import Order
    from morningmix.pipeline import check as run

    with _Bar(shown=not as_json) as bar:
        result = run(Order(source=source, cwd=Path.cwd(), out=out, workers=workers), bar.told)
    if as_json:
        say.as_json(say.input_facts(result))
        return
    count = len(result.findings)
    if not count:
        say.line("All inputs look fine; nothing to change at the desk.")
    else:
        things = "1 thing" if count == 1 else f"{count} things"
        say.line(f"{things} to change next time, worst first:")
        for finding in result.findings:
            say.line(f"  {say.sentence(finding)}")
    say.line()
    width = max((len(one.name) for one in result.inputs), default=0)
    for one in result.inputs:
        role = f"{one.role}{'?' if one.role_is_guess else ''}"
        level = "recorded nothing" if one.facts.silent else f"peaks at {one.facts.peak_dbfs:6.1f} dBFS"
        kinds = ", ".join(finding.kind for finding in result.findings if finding.name == one.name)
        say.line(f"  {one.name:{width}}  {level:22}  {role:18}  {kinds}".rstrip())


@app.command()
def songs(
    source: Annotated[Path, typer.Argument(help="Folder with the raw tracks, or a recipe.")],
    redo: Annotated[bool, typer.Option("--redo", help="Find them again although the recipe lists songs.")] = False,
    out: Out = None,
    workers: Workers = None,
    as_json: Json = False,
) -> None:
    """Find the songs in a long take and write them into the recipe."""
    from morningmix.pipeline import Order
    from morningmix.pipeline import songs as run

    with _Bar(shown=not as_json) as bar:
        result = run(Order(source=source, cwd=Path.cwd(), out=out, redo=redo, workers=workers), bar.told)
    if as_json:
        say.as_json(say.song_facts(result))
        return
    where = say.near(result.recipe)
    if result.found is None:
        say.line(
            f"{where} already lists {say.counted(len(result.listed), 'song')} and was left as it is. "
            f"To find them again: morningmix songs {say.quoted(where)} --redo"
        )
    elif not result.found:
        what = "stays as it is" if result.listed else "lists none: the take will be mixed whole"
        say.line(f"No song was found, so {where} {what}.")
    else:
        say.line(f"{say.found_in_words(result.found)}, written into {where}. Name them there.")
        say.found(result)


@app.command()
def why(
    source: Annotated[Path, typer.Argument(metavar="RECIPE", help="A recipe that was mixed, or a recall sheet.")],
    name: Annotated[str | None, typer.Argument(help="One input; without it, everything.")] = None,
    song: Annotated[str | None, typer.Option(help="Only the song with this title.")] = None,
    as_json: Json = False,
) -> None:
    """Say in words what was decided in the last mix, with the measurement behind it."""
    from morningmix.errors import UsageError
    from morningmix.explain import input_in_words, whole_in_words
    from morningmix.files.recall import read_recall, read_sheets
    from morningmix.files.toml_lines import did_you_mean
    from morningmix.home import MIXES
    from morningmix.names import plain
    from morningmix.song_folders import finish_swaps, song_sheets

    folder = source if source.is_dir() else source.parent
    finish_swaps(folder)
    if source.suffix == ".json":
        recalls = [read_recall(source)]
    else:
        sheets = read_sheets(song_sheets(folder / MIXES), say.skipped)
        recalls = [recall for _, recall in sheets]
    if song is not None:
        recalls = [recall for recall in recalls if plain(recall.title) == plain(song)]
    if not recalls:
        raise UsageError(f"Nothing was mixed yet by {source}. First: morningmix mix {say.quoted(str(source))}")
    if as_json:
        say.as_json({recall.title: recall.model_dump(mode="json", include={"plan", "master"}) for recall in recalls})
        return
    for recall in recalls:
        tracks = recall.plan.tracks
        chosen = [track for track in tracks if name is None or plain(track.name) == plain(name)]
        if not chosen:
            names = [track.name for track in tracks]
            raise UsageError(
                f'There is no input "{name}".{did_you_mean(name or "", names)} There are: {", ".join(names)}.'
            )
        lines = whole_in_words(recall.plan, recall.master) if name is None else []
        for track in chosen:
            lines += ([""] if lines else []) + input_in_words(track)
        for line in lines:
            say.line(line)


@app.command()
def turn(
    recipe_file: Annotated[Path, typer.Argument(metavar="RECIPE", help="The recipe to change.")],
    name: Annotated[str, typer.Argument(help="The input to turn, as the recipe calls it.")],
    direction: Annotated[Direction, typer.Argument(help="up or down")],
    by_db: Annotated[
        float, typer.Argument(metavar="DB", min=0.0, max=60.0, help="By how many decibels; 2 is clearly heard.")
    ],
    song: Annotated[str | None, typer.Option(help="Only in the song with this title.")] = None,
    as_json: Json = False,
) -> None:
    """Change one level in a recipe; the rest of the file stays as it is."""
    from morningmix.files.recipe_text import turn as turned
    from morningmix.files.text import read_text, write_text_whole
    from morningmix.lock import editing

    step_db = by_db if direction is Direction.up else -by_db
    with editing(recipe_file):
        text, old_db, new_db = turned(read_text(recipe_file), name, step_db, song)
        write_text_whole(recipe_file, text)
    if as_json:
        say.as_json({"recipe": str(recipe_file), "name": name, "song": song, "old_db": old_db, "new_db": new_db})
        return
    where = f' in "{song}"' if song else ""
    say.line(
        f"{name}{where} is now at {new_db:+g} dB (was {old_db:+g}). "
        f"Hear it: morningmix mix {say.quoted(str(recipe_file))}"
    )


@app.command()
def wishes(
    recipe_file: Annotated[Path, typer.Argument(metavar="RECIPE", help="The recipe to change.")],
    files: Annotated[
        list[Path],
        typer.Argument(metavar="WISHES...", help="What people copied from the songs' pages, as text files."),
    ],
    as_json: Json = False,
) -> None:
    """Change a recipe by what people wish after listening; what they do not agree on is said and left alone."""
    from dataclasses import asdict

    from morningmix.lock import editing
    from morningmix.wishes import take_wishes

    with editing(recipe_file):
        taken = take_wishes(recipe_file, files, say.skipped)
    if as_json:
        say.as_json(asdict(taken))
        return
    say.wishes_taken(taken, recipe_file)


class Sent(StrEnum):
    """File format of what is sent round."""

    mp3 = "mp3"
    flac = "flac"


@app.command()
def share(
    home: Annotated[Path, typer.Argument(help="A rehearsal's home, or its recipe.")],
    out: Out = None,
    kind: Annotated[Sent, typer.Option("--format", help="MP3 to send, FLAC for whoever wants no loss.")] = Sent.mp3,
    as_json: Json = False,
) -> None:
    """Pack the mixes to be sent round: small tagged files, and a page that lists them."""
    from morningmix.share.send import share as run

    with _Bar(shown=not as_json) as bar:
        folder, shared = run(home, out, "flac" if kind is Sent.flac else "mp3", bar.told, say.skipped)
    if as_json:
        files = [
            {"title": one.title, "file": str(one.file), "peak_dbtp": one.peak_dbtp, "lowered_db": one.lowered_db}
            for one in shared
        ]
        say.as_json({"folder": str(folder), "files": files})
        return
    where = say.near(folder)
    say.line(f"Packed {say.counted(len(shared), 'song')} into {where}. Send the folder, or open {where}/index.html.")
    for one in shared:
        peak = "silent" if one.peak_dbtp is None else f"peaks at {one.peak_dbtp:.1f} dBTP"
        lowered = f", {one.lowered_db:.1f} dB softer so that it stays so" if one.lowered_db else ""
        say.line(f"  {say.near(one.file)}  {peak}{lowered}")


@app.command()
def compare(
    first: Annotated[Path, typer.Argument(help="A rehearsal's home, its recipe, or a song's folder.")],
    second: Annotated[Path, typer.Argument(help="Another one, or an earlier version.")],
    as_json: Json = False,
) -> None:
    """Say how two mixes of a song differ, at the same loudness."""
    from morningmix.compare import as_facts, in_words, recipe_lines
    from morningmix.compare import compare as run

    compared, alone = run(first, second, say.skipped)
    lines = recipe_lines(first, second)
    if as_json:
        say.as_json({"songs": as_facts(compared), "only_in_one": alone, "recipe_lines": lines})
        return
    for one in compared:
        for text in in_words(one, with_plans=not lines):
            say.line(text)
    for line in alone:
        say.line(line)
    if lines:
        say.line("Recipe lines that differ:")
        for line in lines:
            say.line(f"  {line}")


# ---------------------------------------------------------------- progress, and the way in


class _Bar:
    """Progress on the error stream, where a person watches; nothing where none does."""

    def __init__(self, *, shown: bool, of: tuple[int, int] = (1, 1)) -> None:
        self._shown = shown and sys.stderr.isatty()
        self._which = "" if of[1] == 1 else f"{of[0]} of {of[1]}: "
        self._rich: Any = None
        self._tasks: dict[str, Any] = {}

    def __enter__(self) -> _Bar:
        if self._shown:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

            self._rich = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                TimeRemainingColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._rich.start()
        return self

    def told(self, step: str, share: float) -> None:
        """One step of the work is this far."""
        if self._rich is not None:
            if step not in self._tasks:
                self._tasks[step] = self._rich.add_task(visible(f"{self._which}{step}"), total=1.0)
            self._rich.update(self._tasks[step], completed=share)

    def __exit__(self, *error: object) -> None:
        if self._rich is not None:
            self._rich.stop()


def main() -> None:
    """Run a command; known errors become one line and their exit code, a bug keeps its traceback."""
    from morningmix.errors import MachineError, MorningmixError, OutputError, UsageError

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        if "" in sys.argv[1:]:
            raise UsageError('One of the names is empty (""). Give the name of a folder or file.')
        app(prog_name="morningmix")
    except SystemExit as end:
        if end.code == 130:
            # typer makes this of an interrupt, without a word.
            raise KeyboardInterrupt from end
        _flush()
        if isinstance(end.__context__, BrokenPipeError):
            sys.exit(0)
        raise
    except BrokenPipeError:
        _flush()
    except MorningmixError as error:
        _refuse(error)
    except MemoryError:
        _refuse(MachineError("Memory ran out. Close other programs, or use fewer cores with --workers, and run again."))
    except OSError as error:
        if error.filename is None:
            raise
        _refuse(OutputError(f"{error.filename} cannot be read or written: {error.strerror}."))


def _refuse(error: MorningmixError) -> None:
    print(f"morningmix: {error}", file=sys.stderr)
    sys.exit(error.exit_code)


def _flush() -> None:
    """Write out what was printed; nobody minds where whoever read it has gone."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # Python flushes once more when it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
