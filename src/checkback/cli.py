"""The front door: one command per user task."""

from __future__ import annotations

import json
import random
import shutil
import signal
import sys
import tempfile
import threading
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import click
from pydantic import ValidationError
from rich.markup import escape
from rich.table import Table

from checkback import __version__, app, doctor, paperwork, screen
from checkback.call_outs import Outcome
from checkback.commands.card import card as bailout_card
from checkback.commands.collect import collect
from checkback.commands.common import (
    INTERRUPTED,
    MISTAKE,
    NOT_A_DEVICE,
    SettingsFile,
    as_json_text,
    attention,
    case_argument,
    given_path,
    moment,
    out,
    pass_settings,
    visible,
)
from checkback.commands.display import display as display_command
from checkback.commands.enrol import enrol
from checkback.commands.export import export
from checkback.commands.importing import import_command
from checkback.commands.pedal import pedal as pedal_command
from checkback.commands.report import report
from checkback.commands.send import send
from checkback.commands.setup import setup
from checkback.commands.sign import sign
from checkback.errors import UserError
from checkback.hearing.recording import Recording
from checkback.language.card import phrase_card
from checkback.language.checking import ambiguities, korean_phones, near_sounding, not_said_digit_by_digit
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reader
from checkback.language.wordgraph import jsgf, word_graph
from checkback.listening import Listening, read_lines
from checkback.record.case import Case
from checkback.record.entry import CaseEnd, Patient
from checkback.record.journal import journal_schema, verify
from checkback.reporting.narrative import TEMPLATE, narrative
from checkback.settings import default_path, grammars_folder
from checkback.watching.limits import NOTE
from checkback.watching.limits import load as load_limits
from checkback.watching.status import Status, moment_of, rows, status, until


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, invoke_without_command=True)
@click.version_option(__version__, message="checkback %(version)s")
@click.option("--settings", type=given_path, help=f"Settings file (TOML); default: {default_path()}.")
@click.pass_context
def cli(context: click.Context, settings: Path | None) -> None:
    """Keep a spoken, timed record of a cardiac catheterisation, hands-free and offline.

    Not a medical device: it advises, licensed staff decide.

    Example: checkback replay demo/case.flac --case demo-case
    """
    context.obj = SettingsFile(settings)
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


@cli.command()
@click.argument("sentence")
@click.option("--spoken", is_flag=True, help="Read it as what was heard: no numerals, no abbreviations.")
@pass_settings
def parse(settings: SettingsFile, sentence: str, spoken: bool) -> None:
    """Print every reading of SENTENCE as JSON.

    Example: checkback parse "balloon two five by twelve fourteen atmospheres"
    """
    if not sentence.strip():
        raise UserError('there is nothing to read: give a sentence, such as "balloon two five by twelve"')
    book = app.load_book(settings.load())
    readings = Reader(book, typed=not spoken, every_size=True).read(sentence)
    click.echo(as_json_text([r.plain() for r in readings], indent=2))


# --- phrasebook ------------------------------------------------------------------------------------


@cli.group(invoke_without_command=True)
@click.pass_context
def phrasebook(context: click.Context) -> None:
    """Check the phrasebook, and print what is made from it.

    Example: checkback phrasebook check
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


@phrasebook.command()
@pass_settings
def check(settings: SettingsFile) -> None:
    """Check phrasebook, catalogue, formulary and pronunciations.

    Stops at the first mistake, with file and line.  Then names sentences that have two readings,
    which will be asked about, and words that sound alike in the same place.

    Example: checkback phrasebook check
    """
    from checkback.hearing.pronunciations import pronunciations_of

    book = app.load_book(settings.load())
    graph = word_graph(book.spoken)
    words = {word for arcs in graph.arcs for word in arcs}
    by_sound = "pocketsphinx" in book.file.recognisers or bool(book.pronunciations)
    try:
        spoken = pronunciations_of(words, book.pronunciations) if by_sound else korean_phones(words)
    except UserError as error:
        raise UserError(f"{book.source.with_suffix('.pronunciations')}: {error}") from None
    for found in ambiguities(book):
        click.echo(f"two readings, will be asked: '{found.sentence}' ({', '.join(found.families)})")
    pairs = near_sounding(graph, spoken)
    if spoken:
        click.echo(f"sound alike in the same place: {', '.join(f'{a}/{b}' for a, b in pairs) or 'none'}")
    for a, b in not_said_digit_by_digit(book, pairs):
        click.echo(
            f"numbers that sound alike and are not said back digit by digit (numbers.confusable): {a}/{b}"
        )
    click.echo(
        f"{book.source}: {sum(1 for _ in book.families())} families, {len(words)} words, "
        f"{len(graph.arcs)} states and {sum(map(len, graph.arcs))} arcs; "
        + (
            "every word can be pronounced."
            if by_sound
            else f"heard by {', '.join(book.file.recognisers)} only, whose model says at the start which words it lacks."
        )
    )


@phrasebook.command()
@pass_settings
def card(settings: SettingsFile) -> None:
    """Print the phrase card (Markdown).

    Example: checkback phrasebook card > card.md
    """
    click.echo(phrase_card(app.load_book(settings.load())))


@phrasebook.command("jsgf")
@pass_settings
def jsgf_command(settings: SettingsFile) -> None:
    """Print the grammar in the JSpeech Grammar Format.

    Example: checkback phrasebook jsgf > english.jsgf
    """
    book = app.load_book(settings.load())
    click.echo(jsgf(book.spoken, book.file.name, book.file.language), nl=False)


@phrasebook.command()
@pass_settings
def phrases(settings: SettingsFile) -> None:
    """Print the phrase list for Vosk as JSON.

    Example: checkback phrasebook phrases > phrases.json
    """
    book = app.load_book(settings.load())
    click.echo(json.dumps(word_graph(book.spoken).covering_sentences(), indent=0))


@phrasebook.command()
@click.option(
    "--count", default=10, show_default=True, type=click.IntRange(1, 100_000), help="How many sentences."
)
@click.option("--seed", default=None, type=int, help="Give it for the same sentences each time.")
@click.option("--family", default=None, help="One family only, such as balloon.")
@pass_settings
def sample(settings: SettingsFile, count: int, seed: int | None, family: str | None) -> None:
    """Print random sentences that can be said.

    Example: checkback phrasebook sample --count 5 --seed 1
    """
    book = app.load_book(settings.load())
    rng = random.Random(seed)
    for _ in range(count):
        click.echo(book.sample(rng, family).words)


@cli.command()
def schema() -> None:
    """Print the JSON Schema of one line of the journal.

    Example: checkback schema > journal.schema.json
    """
    click.echo(as_json_text(journal_schema(), indent=2))


# --- cases -----------------------------------------------------------------------------------------


@cli.command("verify")
@case_argument
def verify_command(case: Path) -> None:
    """Prove that the journal of CASE is whole and unchanged.

    Example: checkback verify cases/2026-03-02T0800
    """
    report = verify(case)
    found = report.first_break
    if found is not None and found.line is None:
        raise UserError(f"{found}: name the folder of a case")
    if found is not None:
        raise UserError(
            f"{case}: {found}; {report.lines_ok} lines before it are sound: keep a copy as it is, and see what "
            "can be read with checkback show --despite-breaks"
        )
    click.echo(f"{case}: {report.lines_ok} lines, chain unbroken, head {report.head}")


@cli.command()
@case_argument
@click.option("--json", "as_json", is_flag=True, help="One JSON line an entry, with its final standing.")
@click.option("--narrative", "as_narrative", is_flag=True, help="The draft narrative instead of the table.")
@click.option("--write", is_flag=True, help="Write tables and narrative into the case folder again.")
@click.option("--despite-breaks", is_flag=True, help="Show a journal whose chain is broken.")
@pass_settings
def show(
    settings: SettingsFile, case: Path, as_json: bool, as_narrative: bool, write: bool, despite_breaks: bool
) -> None:
    """Show the entries of CASE, finished or not.

    Example: checkback show demo-case
    """
    loaded = settings.load()
    phrasing = Phrasing(app.load_book(loaded))
    template = loaded.reporting.narrative
    folded, notes = app.read_case(case, despite_breaks=despite_breaks)
    for note in notes:
        attention(note)
    if write:
        app.write_case_files(case, folded, phrasing, template)
    if as_json:
        for entry in folded.entries:
            standing, by = folded.standing(entry)
            line = entry.model_dump(mode="json") | {
                "standing": standing,
                "by": by,
                "summary": phrasing.summary(entry),
            }
            click.echo(as_json_text(line))
    elif as_narrative:
        signed = paperwork.signed(case, folded)
        click.echo(narrative(folded, phrasing, signed=signed, template=template or TEMPLATE))
    else:
        _print_case(folded, phrasing)


def _print_case(case: Case, phrasing: Phrasing) -> None:
    table = Table(
        "n", "time", "entry", "standing", "words heard", box=None, pad_edge=False, header_style="bold"
    )
    styles = {"withdrawn": "dim strike", "amended": "dim strike", "questioned": "bold"}
    for entry in case.entries:
        n, time, standing, summary, words = app.entry_row(case, entry, phrasing)
        style = styles.get(standing.split(" ")[0], "")
        table.add_row(
            n,
            time,
            f"[{style}]{escape(summary)}[/]" if style else escape(summary),
            standing,
            escape(visible(words)),
        )
    out.print(table)


@cli.command("status")
@case_argument
@click.option("--at", help="As it was at this wall time, RFC 3339; default: now, or the end of the case.")
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
@pass_settings
def status_command(settings: SettingsFile, case: Path, at: str | None, as_json: bool) -> None:
    """Show the state of CASE: devices, contrast, clotting, radiation, times, what is open or missing.

    Each figure stands with its source.  What cannot be computed says what is lacking.

    Example: checkback status demo-case
    """
    loaded = settings.load()
    book = app.load_book(loaded)
    limits = load_limits(grammars_folder(loaded))
    folded, notes = app.read_case(case)
    for note in notes:
        attention(note)
    wall = moment(at, option="--at")
    if at is not None:
        folded = until(folded, wall)
    elif folded.latest(CaseEnd) is not None:
        wall = folded.entries[-1].recorded.wall
    state = status(folded, limits, book.catalogue, *moment_of(folded, wall))
    if as_json:
        click.echo(as_json_text(state.model_dump(mode="json")))
    else:
        _print_status(case, state)


def _print_status(case: Path, state: Status) -> None:
    ended = ", case ended" if state.ended else ""
    out.print(f"{escape(str(case))}: as of {state.at.wall:%Y-%m-%d %H:%M:%S}{ended}", soft_wrap=True)
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column("figure", no_wrap=True)
    table.add_column("value", ratio=1, overflow="fold")
    table.add_column("source", style="dim", ratio=1, overflow="fold")
    section = ""
    for row in rows(state):
        if row.section != section:
            section = row.section
            table.add_row(f"[bold]{section}[/]")
        value = escape(visible(row.value))
        table.add_row(
            f"  {escape(row.figure)}",
            value if row.known else f"[italic]{value}[/]",
            escape(visible(row.source)),
        )
    out.print(table)
    out.print(f"[dim]{NOTE}[/]", soft_wrap=True)
    out.print(f"[dim]{NOT_A_DEVICE}[/]", soft_wrap=True)


@cli.command()
@click.option("--case", type=given_path, help="Case folder; default: a new one, named by the time.")
@click.option("--plan", type=given_path, help="What is known of the patient (TOML).")
@click.option("--typed", is_flag=True, help="No microphone: call-outs are typed, one a line.")
@click.option(
    "--display/--no-display", default=None, help="Serve pages for a monitor in the room and the control room."
)
@pass_settings
def listen(
    settings: SettingsFile, case: Path | None, plan: Path | None, typed: bool, display: bool | None
) -> None:
    """Listen to the room and keep the record; Ctrl-C ends it.

    A case folder that already holds a case is continued.  Lines typed into the terminal are taken
    as call-outs too.

    Example: checkback listen --case cases/monday-1
    """
    screen.outlast_readers()
    loaded = settings.load()
    if display is not None:
        loaded = loaded.model_copy(update={"display": loaded.display.model_copy(update={"use": display})})
    book = app.load_book(loaded)
    known = app.load_plan(plan) if plan else None
    folder = case or loaded.cases / f"{datetime.now():%Y-%m-%dT%H%M%S}"
    phrasing = Phrasing(book)
    with app.listening(
        folder,
        loaded,
        book,
        typed_only=typed,
        plan=known,
        report=lambda outcome, _: print_outcome(outcome, phrasing, with_question=room.voice != "text"),
        show=attention,
    ) as room:
        out.print(f"[dim]{NOT_A_DEVICE}[/]", soft_wrap=True)
        out.print(f"{escape(str(folder))}: listening; Ctrl-C ends it.", soft_wrap=True)
        # only the signal's arrival is noted here; the loop ends by itself when all is recorded
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), lambda *_: room.stop())
        lines = read_lines(sys.stdin, room)
        if typed:
            # with nothing else to wait for, the end of the input ends the case
            threading.Thread(target=_stop_after, args=(lines, room), daemon=True).start()
        room.run()
    _print_where(folder)


def _stop_after(lines: threading.Thread, room: Listening) -> None:
    lines.join()
    room.stop()


@cli.command()
@click.argument("file", type=given_path)
@click.option("--case", type=given_path, help="Case folder to write; without it nothing is kept.")
@click.option("--json", "as_json", is_flag=True, help="One JSON line an utterance.")
@click.option("--start", help="Wall time of the first sample, RFC 3339; default: now.")
@click.option(
    "--pedal",
    type=given_path,
    help="Pedal script, lines like '12.5 talk down'; or a recorded evdev stream.",
)
@click.option("--plan", type=given_path, help="What is known of the patient (TOML).")
@click.option("--silent", is_flag=True, help="Do not make the sound file of the check-backs.")
@pass_settings
def replay(
    settings: SettingsFile,
    file: Path,
    case: Path | None,
    as_json: bool,
    start: str | None,
    pedal: Path | None,
    plan: Path | None,
    silent: bool,
) -> None:
    """Run the recording FILE through recogniser, loop and voice.

    With --json each line is an object:

    \b
    start, end  of the speech, s from the start of the file; null for a pedal
    heard       the words
    outcome     "accepted": recorded or answered; "asked": the program wants an
                answer; "ignored": taken for talk that was not meant for it
    entry       what was recorded, as in the journal (see checkback schema); null
                if nothing was
    reply       what is said back
    score       of the recogniser, larger is better; null if there is none
    reason      why it was asked or ignored

    Example: checkback replay demo/case.flac --case demo-case
    """  # noqa: D301
    loaded = settings.load()
    recording = Recording(file)
    known = app.load_plan(plan) if plan else None
    began = moment(start)
    presses = app.load_presses(pedal, loaded, began if start else None) if pedal else ()
    book = app.load_book(loaded)
    if case is not None and app.holds_case(case):
        raise UserError(f"{case} already holds a case; give another folder with --case, or remove that one")
    if case is not None:
        screen.outlast_readers()
    temporary = tempfile.mkdtemp(prefix="checkback-") if case is None else None
    folder = Path(temporary) if temporary else case
    assert folder is not None
    phrasing = Phrasing(book)
    recogniser = app.make_recogniser(loaded, book)
    try:

        def report(heard: app.Heard) -> None:
            if as_json:
                click.echo(as_json_text(outcome_line(heard)))
            else:
                print_outcome(heard.outcome, phrasing)

        loop = app.replay(
            recording,
            folder,
            loaded,
            book,
            recogniser,
            start=began,
            pedal=presses,
            plan=known,
            sound=not silent and temporary is None,
            report=report,
            show=attention,
        )
        if not as_json and case is not None:
            out.rule("entries", style="dim")
            _print_case(loop.case, loop.phrasing)
            _print_where(case)
    finally:
        recogniser.close()
        if temporary:
            shutil.rmtree(temporary, ignore_errors=True)


def _print_where(case: Path) -> None:
    out.rule("files", style="dim")
    described = {
        "journal.jsonl": "the record itself, append-only, chained",
        "entries.csv": "the entries as a table (entries.schema.json beside it)",
        app.NARRATIVE: "draft narrative, not signed",
        app.CHECKBACKS: "what the voice said",
        app.CHECKBACKS_SOUND: "the same as sound",
    }
    for name, what in described.items():
        if (case / name).exists():
            out.print(f"{escape(str(case / name))}  [dim]{what}[/]", soft_wrap=True)
    out.print(f"[dim]{NOT_A_DEVICE}[/]", soft_wrap=True)


def outcome_line(heard: app.Heard) -> dict[str, Any]:
    """Return an utterance and its outcome as JSON-ready values."""
    outcome = heard.outcome
    return {
        "start": None if heard.utterance is None else round(heard.utterance.started_s, 3),
        "end": None if heard.utterance is None else round(heard.utterance.ended_s, 3),
        "heard": outcome.words,
        "outcome": outcome.result,
        "entry": outcome.entries[0].model_dump(mode="json") if outcome.entries else None,
        "reply": outcome.reply,
        "score": outcome.score,
        "reason": outcome.reason,
    }


def print_outcome(outcome: Outcome, phrasing: Phrasing, *, with_question: bool = True) -> None:
    """Print one outcome for the eye, and what was asked unless the voice prints that itself."""
    if outcome.result == "ignored":
        ignored = phrasing.reply("ignored", reason=phrasing.label("reason", outcome.reason))
        out.print(f"[dim]          –  {escape(ignored)}[/]")
        return
    time = f"{outcome.entries[0].at.wall:%H:%M:%S}" if outcome.entries else " " * 8
    mark = "✓" if outcome.result == "accepted" else "?"
    what = phrasing.summary(outcome.entries[0]) if outcome.entries else outcome.reply
    words = f'  [dim]"{escape(visible(outcome.words))}"[/]' if outcome.words else ""
    out.print(f"{time}  {mark}  {escape(what)}{words}", soft_wrap=True)
    if outcome.result == "asked" and with_question:
        out.print(f"             » {escape(outcome.reply)}", soft_wrap=True)


@cli.command()
@click.argument("file", type=given_path)
def plan(file: Path) -> None:
    """Ask what is known of the patient, and write it to FILE (JSON) for listen --plan.

    Enter leaves a question open, the end of the input leaves the rest open, and what is wrong is
    asked again.  No name and no record number is asked for.

    Example: checkback plan plan.json
    """
    if file.suffix != ".json":
        raise UserError(f"{file}: give a name that ends in .json")
    answers: dict[str, str] = {}
    asking = True
    for name in Patient.model_fields:
        while asking and name != "kind":
            try:
                text = click.prompt(_question(name), default="", show_default=False).strip()
            except click.Abort:
                if sys.stdin.isatty():
                    raise
                asking = False
                break
            try:
                Patient.model_validate(answers | ({name: text} if text else {}))
            except ValidationError as error:
                click.echo(f"  {error.errors()[0]['msg']}")
                continue
            if text:
                answers[name] = text
            break
    known = Patient.model_validate(answers).model_dump_json(indent=2, exclude={"kind"}, exclude_none=True)
    try:
        file.write_text(known + "\n", encoding="utf-8")
    except OSError as error:
        raise UserError(f"{file}: cannot be written ({error.strerror}); give another place") from None
    click.echo(f"{file}: written; use it with: checkback listen --plan {file}")


def _question(name: str) -> str:
    """Return a field of the patient as a question, with its unit."""
    field = Patient.model_fields[name]
    unit = next((text for ending, text in _PLAN_UNITS.items() if name.endswith(ending)), "")
    asked = name.removesuffix(next((e for e in _PLAN_UNITS if name.endswith(e)), "")).replace("_", " ")
    allowed = [str(a) for a in _choices(field.annotation)]
    hint = unit or ("/".join(allowed) if allowed else "")
    return f"{asked} ({hint})" if hint else asked


_PLAN_UNITS = {
    "_mg_dl": "mg/dL", "_umol_l": "µmol/L", "_percent": "%", "_kg": "kg", "_cm": "cm", "_y": "years",
    "_door_out": "2026-03-02T07:40+01:00", "_door": "2026-03-02T07:15+01:00",
    "_onset": "2026-03-02T07:30+01:00", "_contact": "2026-03-02T07:50+01:00", "arrival": "2026-03-02T08:05+01:00",
}  # fmt: skip


def _choices(annotation: Any) -> list[Any]:
    """Return the values that a field is limited to."""
    if annotation is bool:
        return ["yes", "no"]
    found: list[Any] = []
    for part in get_args(annotation):
        if get_origin(part) is Literal:
            found += get_args(part)
        elif part is bool:
            found += ["yes", "no"]
    return found


@cli.command("doctor")
@pass_settings
def doctor_command(settings: SettingsFile) -> None:
    """Say what works on this computer, what does not, and what to do.

    Exit code 2 if something fails that the settings ask for.

    Example: checkback doctor
    """
    findings = doctor.examine(settings.load())
    for finding in findings:
        mark = {"works": "✓", "missing": "–", "broken": "✗"}[finding.state]
        out.print(f"{mark}  [bold]{finding.part}[/]  {escape(finding.what)}", soft_wrap=True)
        if finding.remedy:
            out.print(f"     → {escape(finding.remedy)}", soft_wrap=True)
    if any(f.state == "broken" for f in findings):
        raise click.exceptions.Exit(MISTAKE)


cli.add_command(bailout_card)
cli.add_command(collect)
cli.add_command(display_command)
cli.add_command(enrol)
cli.add_command(export)
cli.add_command(import_command)
cli.add_command(pedal_command)
cli.add_command(report)
cli.add_command(send)
cli.add_command(setup)
cli.add_command(sign)


def main() -> None:
    """Run the command line; what the user can mend becomes one sentence and exit code 2."""
    screen.prepare()
    # like Ctrl-C: what is open is closed in order
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        # not `cli.main`, which makes an error of a reader who leaves early
        with cli.make_context("checkback", sys.argv[1:]) as context:
            cli.invoke(context)
        code = 0
    except click.exceptions.Exit as end:
        code = end.exit_code
    except UserError as error:
        code = _complain(str(error))
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        command = "checkback" if where is None else where.command_path
        code = _complain(f"{error.format_message().rstrip('.')}: see {command} --help")
    except (click.Abort, KeyboardInterrupt):
        code = _complain("stopped") and INTERRUPTED
    except BrokenPipeError:
        code = 0
    screen.finish()
    sys.exit(code)


def _complain(sentence: str) -> int:
    with suppress(OSError):
        click.echo(f"checkback: {sentence}", err=True)
    return MISTAKE


if __name__ == "__main__":
    main()
