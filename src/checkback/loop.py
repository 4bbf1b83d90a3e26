"""The closed loop: call-out, entry on disk, check-back.

`Loop` is the one owner of the case.  It is called from one thread, with what was heard, typed or
pressed, and answers each time with an `Outcome`.  An entry is on disk before anything is spoken
or shown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from checkback.aloud import Verbosity, aloud, not_spoken
from checkback.answers import Answers
from checkback.attention import WAITS_S, without_attention
from checkback.bailout import OPEN, WORDS, Asks, Bailout, Said
from checkback.call_outs import (
    OPEN_ROOM_LEAST_WORDS,
    CallOut,
    Proposal,
    Result,
    candidates,
    risk_of,
    too_short,
)
from checkback.call_outs import (
    Outcome as Outcome,
)
from checkback.certainty import ENOUGH_TO_ATTEND, LEAST_ASKED, PRIOR, decide, enough, judge, only
from checkback.checklist import ANSWER, AskedReader, Checklist
from checkback.dictation import SAID_BACK_WORDS, Notes, earlier_parts
from checkback.errors import UserError
from checkback.hearing.pedals.events import Action
from checkback.hearing.recogniser import Heard, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing, differing
from checkback.language.reading import Reading
from checkback.language.udi import ScanReader
from checkback.proposing import Complaint, Proposals
from checkback.record.case import Case
from checkback.record.clock import Clock
from checkback.record.entry import (
    Advice,
    CardStep,
    Deflation,
    Dictation,
    Entry,
    Identity,
    Inflation,
    Mark,
    Moment,
    Noted,
    Patient,
    Session,
    StandBy,
    Unclear,
    Withdrawal,
)
from checkback.record.journal import Journal
from checkback.recorder import Recorder
from checkback.said_back import Recall, SaidBack
from checkback.speaking.voice import Tone, Urgency, Voice
from checkback.unheard import Unheard
from checkback.watching.limits import Limits
from checkback.watching.reminders import RULES, due, standing

MAX_OPTIONS = 4
"""More readings than this are not offered; the call-out is asked for again."""


class Loop:
    """From words to entries and back to words.

    Parameters
    ----------
    book : Phrasebook
    journal : Journal
        Open for writing; the entries in it are the case so far.
    clock : Clock
    voice : Voice
    limits : Limits
        Clinical limits and rules, as data.
    recogniser : str
        Name of the recogniser, for the record.
    program_version : str
    attention : sequence of str
        Words that a call-out begins with when no pedal is held; none: it may begin at once.
    show : callable
        Is given one line for the eye whenever something needs attention that is no outcome.
    keep_dictation_sound : bool
        Keep the sound of notes that were written down too.
    keep_unheard_sound : bool
        Keep the sound of what could not be decoded in time.
    verbosity : {"full", "brief", "tones"}
        How much of an answer is heard; the record and the screen have all of it.
    on_entry : callable
        Is given each entry once it is on disk; returns at once and never fails.
    bailout : Bailout, optional
        The bailout cards; none: there are none.

    Raises
    ------
    UserError
        If the phrasebook has no words for a reminder.
    """

    def __init__(
        self,
        book: Phrasebook,
        journal: Journal,
        clock: Clock,
        voice: Voice,
        *,
        limits: Limits,
        recogniser: str,
        program_version: str,
        attention: Sequence[str] = (),
        show: Callable[[str], None] = lambda line: None,
        keep_dictation_sound: bool = False,
        keep_unheard_sound: bool = False,
        verbosity: Verbosity = "full",
        on_entry: Callable[[Entry], None] = lambda entry: None,
        bailout: Bailout | None = None,
    ) -> None:
        if lacking := set(RULES) - book.file.advice.keys():
            raise UserError(f"{book.source}: key advice: no words for {', '.join(sorted(lacking))}; add them")
        self._book = book
        self._twins = book.file.numbers.confusable_words
        self._clock = clock
        self._voice = voice
        self._verbosity = verbosity
        self._limits = limits
        self._show = show
        self.phrasing = Phrasing(book)
        self._recorder = Recorder(journal, clock, self.phrasing, on_entry)
        self.case = self._recorder.case
        self._session = self._recorder.session
        self._proposals = Proposals(self.case, book.catalogue, self.phrasing)
        self._said_back = SaidBack(self.case, self.phrasing, book.file.replies["at"], verbosity)
        self._recall = Recall(self.case, self.phrasing, self._open_question)
        self._checklist = Checklist(self.phrasing)
        self._resumed = not journal.entries
        self._bailout = bailout
        # what "affirm" answers, as long as nothing else was said since
        self._card_asks: Asks = ""
        self._spoken_reader = AskedReader(
            book, self._checklist, self._now_s, to_card=self._to_card, every_size=True
        )
        self._typed_reader = AskedReader(
            book, self._checklist, self._now_s, to_card=self._to_card, typed=True
        )
        self._scan_reader = ScanReader(book)
        self._recogniser = recogniser
        self._voice_on = True
        self._last_reply = ""
        self._reminded: tuple[str, str] | None = None
        self._pending: int | None = None
        # the question between what sounds alike: its entry, and the option that each short answer means
        self._attention = tuple(attention)
        self._called_until_s = float("-inf")
        self._between: tuple[int, dict[str, int]] | None = None
        self._trouble: str | None = None
        self._write(
            Session(
                number=self._session,
                program_version=program_version,
                recogniser=recogniser,
                phrasebook_sha256=book.sha256,
                catalogue_sha256=book.catalogue_sha256,
            ),
            CallOut("", clock.now(), "program"),
        )
        self._notes = Notes(
            book,
            self._typed_reader,
            journal.folder,
            clock,
            self._write_note,
            keep_sound=keep_dictation_sound,
            show=show,
            attention=attention,
        )
        self._unheard = Unheard(journal.folder, keep_sound=keep_unheard_sound)
        if (cut_off := self._notes.recover(self.case)) is not None:
            self.say("note_cut_off")
            show(f"{self.phrasing.reply('note_cut_off')}: {self.phrasing.written(cut_off.body)}")

    # --- what comes in --------------------------------------------------------------------------

    def heard(self, heard: Heard) -> Outcome:
        """Take an utterance with what the recogniser made of it."""
        if self._notes.belongs(heard):
            return self._dictated(heard)
        if heard.given_up:
            return self._given_up(heard)
        if (text := self._notes.in_one_breath(heard)) is not None:
            return self._note_at_once(heard, text)
        best = heard.hypotheses[0] if heard.hypotheses else None
        if best is not None and best.evidence is not None:
            return self._weighed(heard)
        words = best.words if best else ""
        rest = without_attention(words, self._attention)
        # a sound in which nothing was found, as a cough, uses nothing up
        opened = heard.utterance.held if best is None else self._opened(heard.utterance)
        call = CallOut(
            words=words if rest is None else rest,
            said=self._moment(heard.utterance.started_s),
            source="speech",
            alternatives=tuple(h.words for h in heard.hypotheses[1:]),
            recogniser=heard.recogniser,
            score=best.score if best else None,
            fits=bool(best and best.likely_speech_to_us),
            meant_for_us=opened or rest is not None,
        )
        if self._attention and not call.meant_for_us:
            if heard.called:
                return self._not_understood(call, "was not heard well enough")
            return Outcome("ignored", call.words, score=call.score, reason="was not called")
        if not call.meant_for_us and not call.fits:
            return Outcome("ignored", call.words, score=call.score, reason="does not sound like a call-out")
        if heard.utterance.clipped:
            # a part of a call-out may read as another, shorter one
            reply = self.phrasing.reply("say_again")
            return self._reply(
                Outcome("asked", call.words, (), reply, call.score, "was cut off by the voice")
            )
        if rest == "" and call.fits:
            return self._called_alone(call, heard.utterance)
        return self._take(call, self._spoken_reader.read(call.words))

    def _given_up(self, heard: Heard) -> Outcome:
        """Keep on record that something was said which nobody could decode in time.

        With no pedal held most of it is talk: what is lost within a minute is one entry, until that is settled.
        """
        utterance = heard.utterance
        call = CallOut("", self._moment(utterance.started_s), "speech", recogniser=heard.recogniser)
        asked = any(each.n == self._unheard.number for each in self.case.questions())
        if utterance.held or not asked or not self._unheard.goes_on(utterance):
            outcome = self._not_understood(call, "was not heard in time", "not_kept_up")
            self._unheard.begin(outcome.entries[0].n, utterance)
        else:
            outcome = Outcome("ignored", "", reason="was not heard in time")
        self._unheard.add(utterance)
        length_s = utterance.ended_s - utterance.started_s
        self._show(
            f"not heard: {length_s:.0f} s of speech at {call.said.wall:%H:%M:%S}: this computer is too busy, "
            "end other programs"
        )
        return outcome

    @property
    def dictating(self) -> bool:
        """Whether what is said now is dictated."""
        return self._notes.open and not self._notes.open_typed

    def called(self, started_s: float) -> bool:
        """Whether speech that begins then needs no attention word, because that was said alone just before."""
        return bool(self._attention) and started_s <= self._called_until_s

    def _opened(self, utterance: Utterance) -> bool:
        """Whether the pedal or the attention word alone opened it; that word opens one utterance only."""
        opened = utterance.held or self.called(utterance.started_s)
        self._called_until_s = float("-inf")
        return opened

    def _called_alone(self, call: CallOut, utterance: Utterance) -> Outcome:
        """Answer the attention word, which opens the next utterance."""
        self._called_until_s = utterance.ended_s + WAITS_S
        return self._done(call, "go_ahead")

    @property
    def disk_trouble(self) -> bool:
        """Whether the disk does not take what is recorded, so that it is kept in memory."""
        return self._trouble is not None

    @property
    def question(self) -> int | None:
        """Number of the entry whose question a short answer settles."""
        return self._pending

    @property
    def expected(self) -> tuple[str, ...]:
        """Short answers that would settle the open question."""
        return tuple(self._short_answers())

    def _short_answers(self) -> dict[str, int]:
        if self._between is None or self._between[0] != self._pending or self._open_question() is None:
            return {}
        return self._between[1]

    def _weighed(self, heard: Heard) -> Outcome:
        """Take an utterance that may have been one of several sentences, each with its evidence."""
        sentences = [h.words for h in heard.hypotheses]
        called = [without_attention(words, self._attention) for words in sentences]
        sentences = [w if rest is None else rest for w, rest in zip(sentences, called, strict=True)]
        expected = self.expected
        readings = [() if words in expected else self._spoken_reader.read(words) for words in sentences]
        probabilities, none = judge(
            heard,
            [
                PRIOR["expected"] if words in expected or not words else self._prior(each)
                for words, each in zip(sentences, readings, strict=True)
            ],
        )
        held = self._opened(heard.utterance)
        score = next((h.score for h in heard.hypotheses if h.score is not None), None)
        called_for = 1.0
        if self._attention and not held:
            probabilities, called_for = only(probabilities, [rest is not None for rest in called])
            if called_for < ENOUGH_TO_ATTEND and not heard.called:
                return Outcome("ignored", heard.hypotheses[0].words, score=score, reason="was not called")
            held = True
        risks = [
            risk_of(each, twin=not self._twins.isdisjoint(words.split()))
            for each, words in zip(readings, sentences, strict=True)
        ]
        decision = decide(probabilities, none, risks, meant_for_us=held, least=enough(heard))
        order = sorted(range(len(sentences)), key=lambda n: -probabilities[n])
        best = order[0]
        call = CallOut(
            words=sentences[best],
            said=self._moment(heard.utterance.started_s),
            source="speech",
            alternatives=tuple(sentences[n] for n in order[1:] if probabilities[n] >= LEAST_ASKED),
            recogniser=heard.recogniser,
            score=score,
            meant_for_us=held,
            certainty=round(decision.certainty, 4),
        )
        if called_for < ENOUGH_TO_ATTEND:
            # the attention word was there, and what followed it is not among what was heard
            return self._not_understood(call, "was not heard well enough")
        if decision.action == "ignore":
            return Outcome("ignored", call.words, score=score, reason="does not sound like a call-out")
        if heard.utterance.clipped:
            # a part of a call-out may read as another, shorter one
            reply = self.phrasing.reply("say_again")
            return self._reply(Outcome("asked", call.words, (), reply, score, "was cut off by the voice"))
        if decision.action == "accept":
            if called[best] == "":
                return self._called_alone(call, heard.utterance)
            if call.words in expected:
                return self._answer_with(call, self._short_answers()[call.words], only=False)
            return self._take(call, readings[best])
        if decision.action == "which":
            return self._ask_between(call, [(sentences[n], readings[n]) for n in decision.picks])
        if not held and too_short(call.words, readings[best]):
            return Outcome("ignored", call.words, score=score, reason="is no call-out")
        return self._not_understood(call, "was not heard well enough")

    def _prior(self, readings: tuple[Reading, ...]) -> float:
        """Return how much the case speaks for a sentence, as a factor of its odds."""
        if not readings:
            # a short answer to a question that is not open
            return PRIOR["unasked"]
        events = [r for r in readings if r.role == "event" and not r.correction]
        if events and all(self.case.objection(r.body) is not None for r in events):
            return PRIOR["objected"]
        return PRIOR["fits"]

    def _ask_between(self, call: CallOut, heard: list[tuple[str, tuple[Reading, ...]]]) -> Outcome:
        """Ask which of a few sentences was said, by what tells them apart."""
        proposals: dict[Proposal, str] = {}
        for words, readings in heard:
            for reading in readings:
                proposal = (
                    self._proposals.propose(call, reading) if reading.role in ("event", "fragment") else None
                )
                if not isinstance(proposal, Proposal):
                    # an answer or a command: it is short, and quickly said again
                    return self._not_understood(call, "was not heard well enough")
                proposals.setdefault(proposal, words)
        if len(proposals) < 2:
            return self._not_understood(call, "was not heard well enough")
        return self._ask_which(call, list(proposals), said=list(proposals.values()))

    def typed(self, text: str) -> Outcome:
        """Take a typed call-out, or a label from a scanner that types.

        Numerals and sizes that are not stocked are understood too.
        """
        # a label has control characters of its own; on a screen they would do what a sender likes
        plain = " ".join(text.split())
        words = "".join(sign if sign.isprintable() else " " for sign in plain).strip()
        call = CallOut(words, self._clock.now(), "typed")
        try:
            scanned = self._scan_reader.read(text)
        except UserError as error:
            self._show(str(error))
            return self._not_understood(call, str(error), "scan_again")
        # nobody knows what was meant where signs had to be left out
        readings = scanned or (self._typed_reader.read(words) if words == plain else ())
        family = readings[0].family if readings and readings[0].role == "dialogue" else ""
        if self._notes.open_typed and not scanned and family not in ("note", "end_note", "disregard"):
            ended = self._notes.without_end(call.words)
            entry = self._notes.add(
                call.words if ended is None else ended, call.said, writer=call.source, pcm=None
            )
            return self._end_note(call) if ended is not None else self._note_grew(call, entry)
        if not readings and (note := self._notes.without_beginning(call.words)):
            # a line has an end of its own
            self._notes.begin(call.said, words=call.words, typed=True)
            whole = self._notes.without_end(note)
            self._notes.add(note if whole is None else whole, call.said, writer=call.source, pcm=None)
            return self._end_note(call)
        return self._take(call, readings)

    def pressed(self, action: Action, at_s: float | None = None) -> Outcome:
        """Take a press of a pedal.

        Parameters
        ----------
        action : str
            Any but "talk".
        at_s : float or None
            When the foot went down, on the monotonic clock; None: now.
        """
        call = CallOut("", self._clock.now() if at_s is None else self._moment(at_s), "pedal")
        match action:
            case "affirm":
                return self._affirm(call)
            case "withdraw":
                return self._give_up_note(call) if self._notes.open else self._withdraw(call, None)
            case "mark":
                return self._record(Proposal(Mark(), call.said), call)
            case "clock":
                return self._balloon_clock(call)
            case "reminder":
                return self._next_reminder(call)
            case "card":
                return self._of_card(call, lambda cards: cards.pedal(self._card_asks, *self._as_it_stands()))
        raise LookupError(f"no code for the action {action}")

    def _balloon_clock(self, call: CallOut) -> Outcome:
        """Record that a balloon goes up or comes down: of its pressure a foot tells nothing."""
        for body in (Deflation(), Inflation()):
            if self.case.objection(body) is None:
                return self._record(Proposal(body, call.said), call)
        mark = self._write(Mark(), call)
        reply = self.phrasing.reply("no_balloon")
        return self._reply(Outcome("accepted", call.words, (mark,), reply, call.score))

    def _next_reminder(self, call: CallOut) -> Outcome:
        """Say one thing that is due, and the next one when asked again; then from the beginning."""
        found = standing(self.case, self._limits, self._book.catalogue, self._clock.now(), self._session)
        if not found:
            self._reminded = None
            return self._done(call, "nothing_due")
        known = [(each.rule, each.step) for each in found]
        place = (known.index(self._reminded) + 1) % len(known) if self._reminded in known else 0
        each, self._reminded = found[place], known[place]
        text = self.phrasing.advice(each.rule, each.values)
        self._show(f"{self.phrasing.advice(each.rule, each.values, written=True)} ({each.source})")
        return self._reply(Outcome("accepted", call.words, (), text, call.score))

    def plan(self, patient: Patient) -> Entry | None:
        """Record what is known of the patient before the case; None if it is on record already."""
        if any(entry.body == patient for entry in self.case.in_force()):
            return None
        return self._write(patient, CallOut("", self._clock.now(), "plan"))

    def keep(self, words: str) -> Outcome:
        """Keep the words of a call-out that could not be handled, and ask for it again."""
        call = CallOut(words, self._clock.now(), "program")
        return self._not_understood(call, "could not be handled")

    def tick(self) -> None:
        """Look after the disk and the clocks; call it twice a second or so, also while nothing is said."""
        self._recorder.retry()
        self._look_after_disk()
        if (about := self._notes.tick()) is not None:
            self.say("note_again" if about == "remind" else "note_too_long")
        self._speak_up()
        self._guide()

    def finish(self) -> None:
        """End what is still open before the program ends."""
        if self._notes.open:
            self._notes.end("stop")
        self._unheard.finish()

    def _speak_up(self) -> None:
        """Say what is due, several things in one sentence; all of it is on disk first."""
        found = due(self.case, self._limits, self._book.catalogue, self._clock.now(), self._session)
        texts: list[tuple[str, Urgency]] = []
        question = self._resume_asking()
        for each in found:
            text = self.phrasing.advice(each.rule, each.values, written=True)
            advice = Advice(
                rule=each.rule, step=each.step, text=text, source=each.source, critical=each.critical
            )
            self._write(advice, CallOut("", self._clock.now(), "program"))
            self._show(f"{text} ({each.source})")
            if self._voice_on or each.critical:
                how = Urgency.CRITICAL if each.critical else Urgency.REMINDER
                texts.append((self.phrasing.advice(each.rule, each.values), how))
            if each.rule in ("guide_out_missing", "case_end_missing"):
                question = self._ask_for_missing()
        if question and self._voice_on:
            texts.append((question, Urgency.REMINDER))
        tone: Tone | None = "attention" if self._verbosity == "tones" else None
        if texts:
            self._card_asks = ""
        for urgency in (Urgency.CRITICAL, Urgency.REMINDER):
            if together := self.phrasing.sentences(text for text, how in texts if how is urgency):
                silent = tone is not None and urgency is Urgency.REMINDER and not question
                self._voice.say("" if silent else together, urgency, tone)

    def recall(self, text: str) -> str | None:
        """Return what is to be said again of a check-back that was cut off, now that another one comes.

        As `Recall.words`; for the owner's thread.
        """
        return self._recall.words(text)

    def say(self, key: str, urgency: Urgency = Urgency.CHECK_BACK) -> None:
        """Say one of the phrasebook's replies that is no answer to a call-out."""
        self._card_asks = ""
        self._voice.say(self.phrasing.reply(key), urgency)

    # --- from readings to an outcome ------------------------------------------------------------

    def _take(self, call: CallOut, readings: tuple[Reading, ...]) -> Outcome:
        open_room = not call.meant_for_us
        expected = self._checklist.expects(readings, self._now_s())
        if open_room and (not readings or (too_short(call.words, readings) and not expected)):
            return Outcome("ignored", call.words, score=call.score, reason="is no call-out")
        if not readings:
            return self._not_understood(call, "has no reading")
        roles = {reading.role for reading in readings}
        if "bailout" in roles:
            return self._to_a_card(call, readings[0])
        if roles & {"dialogue", "question"}:
            # never ambiguous with an event: the phrasebook check refuses such a book
            return self._converse(call, readings[0])
        if any(reading.family in (f"{ANSWER}skip", f"{ANSWER}unknown") for reading in readings):
            return self._left_open(call, readings[0].family == f"{ANSWER}skip")
        proposals: dict[Proposal, None] = {}
        complaint: Complaint | None = None
        for reading in readings:
            proposal = self._proposals.propose(call, reading)
            if isinstance(proposal, Complaint):
                complaint = proposal
            else:
                proposals.setdefault(proposal)
        distinct = list(proposals)
        if not distinct:
            assert complaint is not None
            return self._say_only(call, complaint.key, **complaint.values)
        if len(distinct) > 1:
            return self._ask_which(call, distinct)
        settled = self._settles_question(call, distinct[0])
        return settled or self._record(distinct[0], call)

    # --- outcomes -------------------------------------------------------------------------------

    def _record(self, proposal: Proposal, call: CallOut) -> Outcome:
        """Write the proposal: as an entry that stands, or as a question if there is an objection."""
        # in words first: once it is written, the device is where it went
        said = self._said_back.full(proposal, call)
        if proposal.objection is not None or not call.fits:
            key = proposal.objection or "confirm"
            old = self.phrasing.spoken(proposal.amends.body) if proposal.amends else ""
            expires = proposal.body.expires if isinstance(proposal.body, Identity) else None
            device = self.phrasing.label("device", proposal.device)
            question = self.phrasing.reply(key, entry=said, device=device, old=old, expires=expires or "")
            entry = self._write(
                proposal.body,
                call,
                at=proposal.at,
                question=question,
                amends=proposal.amends.n if proposal.amends else None,
            )
            self._pending = entry.n
            return self._reply(Outcome("asked", call.words, (entry,), question, call.score, key))
        entry = self._write(
            proposal.body, call, at=proposal.at, amends=proposal.amends.n if proposal.amends else None
        )
        self._pending = None
        key = "corrected" if proposal.amends is not None else "accepted"
        reply = self.phrasing.reply(key, entry=self._said_back.of_device(entry, said))
        return self._reply(Outcome("accepted", call.words, (entry,), reply, call.score))

    def _ask_which(self, call: CallOut, proposals: list[Proposal], said: list[str] | None = None) -> Outcome:
        """Ask which proposal is meant; `said` tells the words of each if it is a matter of hearing."""
        targets = {p.amends.n if p.amends else None for p in proposals}
        if len(proposals) > MAX_OPTIONS or len(targets) > 1 or len({p.at for p in proposals}) > 1:
            return self._not_understood(call, "has too many readings")
        bodies = [p.body for p in proposals]
        narrow = self.phrasing.narrow(bodies) if said is not None else None
        question = narrow or self.phrasing.options(bodies)
        entry = self._write(
            Unclear(),
            call,
            at=proposals[0].at,
            question=question,
            alternatives=bodies,
            amends=targets.pop(),
        )
        self._pending = entry.n
        if narrow is not None:
            parts = differing([words.split() for words in said or ()])
            self._between = entry.n, {" ".join(part): n for n, part in enumerate(parts or (), 1)}
        reason = "sounds like another" if said is not None else f"has {len(bodies)} readings"
        return self._reply(Outcome("asked", call.words, (entry,), question, call.score, reason))

    def _not_understood(self, call: CallOut, reason: str, key: str = "say_again") -> Outcome:
        """Keep what cannot be read, so that it is not lost, and ask for it again."""
        question = self.phrasing.reply(key)
        entry = self._write(Unclear(), call, question=question)
        return self._reply(Outcome("asked", call.words, (entry,), question, call.score, reason))

    def _say_only(self, call: CallOut, key: str, **values: str) -> Outcome:
        reply = self.phrasing.reply(key, **values)
        return self._reply(Outcome("asked", call.words, (), reply, call.score, key))

    def _settles_question(self, call: CallOut, proposal: Proposal) -> Outcome | None:
        """Take a full call-out that is one of the options asked for as the answer."""
        question = self._open_question()
        if question is None or proposal.amends is not None or isinstance(proposal.body, Identity):
            # to scan a label again is no answer to "expired, affirm?"
            return None
        bodies = candidates(question)
        return self._settle(call, question, proposal.body) if proposal.body in bodies else None

    def _open_question(self) -> Entry | None:
        if self._pending is None:
            return None
        entry = self.case.entry(self._pending)
        return entry if entry is not None and self.case.standing(entry)[0] == "questioned" else None

    def _answer_with(self, call: CallOut, option: int, *, only: bool = True) -> Outcome:
        """Settle the open question: by its only candidate, or by the option of that number."""
        question = self._open_question()
        bodies = candidates(question) if question else []
        if question is None or not bodies:
            return self._say_only(call, "nothing_asked")
        first_was_offered = self._between is not None and self._between[0] == question.n
        if option > len(bodies) or (only and len(bodies) > 1 and not first_was_offered):
            again = self.phrasing.options(bodies) if len(bodies) > 1 else question.question or ""
            return self._reply(Outcome("asked", call.words, (), again, call.score, "is no option"))
        return self._settle(call, question, bodies[option - 1])

    def _settle(self, call: CallOut, question: Entry, body: Any) -> Outcome:
        entry = self._write(body, call, at=question.at, amends=question.n)
        self._pending = None
        reply = self.phrasing.reply(
            "accepted", entry=self._said_back.of_device(entry, self._said_back.back(body))
        )
        return self._reply(Outcome("accepted", call.words, (entry,), reply, call.score))

    def _withdraw(self, call: CallOut, number: int | None) -> Outcome:
        if number is None and (step := self._last_word_to_a_card()) is not None:
            return self._take_back(call, step)
        target = self._proposals.target(number)
        if target is None:
            if number is not None:
                return self._say_only(call, "no_such_entry", target=self.phrasing.number(number))
            return self._say_only(call, "nothing_to_withdraw")
        if isinstance(target.body, Dictation):
            # each part replaced the one before: none of them is to come back
            for earlier in earlier_parts(self.case, target):
                self._write(Withdrawal(target=earlier.n), call)
        entry = self._write(Withdrawal(target=target.n), call)
        if target.n == self._pending:
            self._pending = None
        if isinstance(target.body, Unclear):
            return self._reply(
                Outcome("accepted", call.words, (entry,), self.phrasing.reply("dropped"), call.score)
            )
        reply = self.phrasing.reply("withdrawn", entry=self.phrasing.spoken(target.body))
        return self._reply(Outcome("accepted", call.words, (entry,), reply, call.score))

    # --- dialogue and questions -----------------------------------------------------------------

    def _converse(self, call: CallOut, reading: Reading) -> Outcome:
        number = reading.fields.get("target")
        match reading.family:
            case "disregard":
                if number is None and self._notes.open:
                    return self._give_up_note(call)
                return self._withdraw(call, None if number is None else int(number))
            case "affirm":
                return self._affirm(call)
            case "choose":
                return self._answer_with(call, int(reading.fields["option"]), only=False)
            case "negative":
                if (answered := self._answer_card(call, yes=False)) is not None:
                    return answered
                question = self._open_question()
                if question is None:
                    return self._say_only(call, "nothing_asked")
                return self._withdraw(call, question.n)
            case "say_again":
                reply = self._last_reply or self.phrasing.reply("nothing_said")
                return self._reply(Outcome("accepted", call.words, (), reply, call.score))
            case "noted":
                return self._noted(call)
            case "stand_by":
                silenced = self._voice.stop()
                self._pending = None
                self._checklist.end()
                entry = self._write(StandBy(), call)
                if texts := [each.text for each in silenced if each.text]:
                    self._show(not_spoken(texts, "stand by"))
                reply = self.phrasing.reply("parked")
                return self._reply(Outcome("accepted", call.words, (entry,), reply, call.score))
            case "note":
                heard_alone = not call.meant_for_us and call.certainty is None
                if heard_alone and len(call.words.split()) < OPEN_ROOM_LEAST_WORDS:
                    # heard by the grammar alone, so short a word turns up in any talk
                    return Outcome("ignored", call.words, score=call.score, reason="is no call-out")
                entry = self._notes.begin(call.said, words=call.words, typed=call.source == "typed")
                return self._reply(
                    Outcome("accepted", call.words, (entry,), self.phrasing.reply("note_open"), call.score)
                )
            case "end_note":
                return self._end_note(call) if self._notes.open else self._say_only(call, "no_note")
            case "voice_off":
                outcome = self._done(call, "voice_off")
                self._voice_on = False
                return outcome
            case "voice_on":
                self._voice_on = True
                return self._done(call, "voice_on")
            case "last_act":
                return self._told(call, self._answers().last_act())
            case "contrast_so_far":
                return self._told(call, self._answers().contrast_so_far())
            case "contrast_left":
                return self._told(call, self._answers().contrast_left())
            case "heparin_so_far":
                return self._told(call, self._answers().heparin())
            case "balloon_time":
                return self._told(call, self._answers().balloon_time())
            case "what_is_in":
                return self._told(call, self._answers().what_is_in())
            case "what_is_missing":
                return self._what_is_missing(call)
        raise LookupError(f"no code for the family {reading.family}")

    def _now_s(self) -> float:
        return self._clock.now().monotonic_s

    def _what_is_missing(self, call: CallOut) -> Outcome:
        lacking = [self.phrasing.label("missing", key) for key in self.case.missing()]
        if not lacking:
            return self._done(call, "missing_none")
        reply = self.phrasing.reply("missing", items=self.phrasing.listed(lacking))
        self._show(reply)
        # what was asked before is asked anew, from the beginning
        self._checklist.end()
        question = self._ask_for_missing()
        reply = self.phrasing.sentences((reply, question))
        return self._reply(Outcome("accepted", call.words, (), reply, call.score))

    def _ask_for_missing(self) -> str:
        """Begin to ask for what the record lacks; return the first question, or nothing."""
        if not self._book.file.answers:
            return ""
        question = self._checklist.begin(self.case, self._now_s())
        return self._put(question)

    def _resume_asking(self) -> str:
        """Go on with the questions that a restart broke off; once."""
        if self._resumed or not self._book.file.answers:
            return ""
        self._resumed = True
        return self._put(self._checklist.resume(self.case, self._clock.now()))

    def _put(self, question: str) -> str:
        """Show a question of the checklist, and open the one of an entry again if it is that."""
        if (n := self._checklist.open_question(self.case)) is not None:
            self._pending = n
        if question:
            self._show(question)
        return question

    def _with_next_question(self, outcome: Outcome) -> Outcome:
        """Add the next question to what is said back, if the last one was answered."""
        question = self._checklist.go_on(self.case, self._now_s())
        if question is None:
            return outcome
        more = self._put(question) or self.phrasing.reply("all_answered")
        return replace(outcome, reply=self.phrasing.sentences((outcome.reply, more)))

    def _left_open(self, call: CallOut, skipped: bool) -> Outcome:
        """Record that what is asked for was skipped, or is not known."""
        entry = self._write(self._checklist.leave("skipped" if skipped else "unknown"), call)
        reply = self.phrasing.reply("skipped" if skipped else "unknown")
        return self._reply(Outcome("accepted", call.words, (entry,), reply, call.score))

    # --- bailout cards ------------------------------------------------------------------------------

    def _as_it_stands(self) -> tuple[Case, Moment, int]:
        return self.case, self._clock.now(), self._session

    def _to_card(self, family: str) -> bool:
        return self._bailout is not None and self._bailout.takes(family, self.case)

    def _answer_card(self, call: CallOut, *, yes: bool) -> Outcome | None:
        """Answer what a card asked, if that was the last thing said; else let it ask again first."""
        which = self._card_asks
        if self._bailout is None:
            return None
        if which == "offer" and self._bailout.offer(self.case, self._now_s()) is None:
            which = ""
        if which:
            return self._of_card(call, lambda cards: cards.affirmed(yes, which, *self._as_it_stands()))
        if self._open_question() is not None or not (waits := self._bailout.asking(*self._as_it_stands())):
            return None
        return self._of_card(call, lambda cards: cards.again(waits, *self._as_it_stands()))

    def _affirm(self, call: CallOut) -> Outcome:
        return self._answer_card(call, yes=True) or self._answer_with(call, 1)

    def _last_word_to_a_card(self) -> Entry | None:
        """Return the step of a card that was the last thing said to the program, if it was one."""
        said = (e for e in self.case.backwards() if e.source not in ("program", "plan"))
        last = next(
            (e for e in said if self._proposals.alive(e) or not isinstance(e.body, (CardStep, Withdrawal))),
            None,
        )
        return last if last is not None and isinstance(last.body, CardStep) else None

    def _take_back(self, call: CallOut, step: Entry) -> Outcome:
        """Withdraw a word to a card, and read its line again."""
        assert isinstance(step.body, CardStep)
        body, reply = step.body, self.phrasing.reply("withdrawn", entry=self.phrasing.spoken(step.body))
        together = [step]
        if body.action == "chosen":
            # what was seconded is chosen in the same breath
            before = self.case.entry(step.n - 1)
            if before is not None and isinstance(before.body, CardStep) and before.body.action == "seconded":
                together.append(before)
        entries = [self._write(Withdrawal(target=each.n), call) for each in together]
        said = (
            Said((), "", True)
            if self._bailout is None
            else self._bailout.taken_back(body, *self._as_it_stands())
        )
        entries += [self._write(each.body, CallOut("", call.said, "program")) for each in said.steps]
        text = self.phrasing.sentences((reply, said.reply))
        outcome = self._reply(Outcome("accepted", call.words, tuple(entries), text, call.score))
        self._card_asks = said.asks
        return outcome

    def _to_a_card(self, call: CallOut, reading: Reading) -> Outcome:
        if reading.family == OPEN:
            name = str(reading.fields["card"])
            return self._of_card(call, lambda cards: cards.open(name, *self._as_it_stands()))
        return self._of_card(call, lambda cards: cards.answer(WORDS[reading.family], *self._as_it_stands()))

    def _of_card(self, call: CallOut, answer: Callable[[Bailout], Said]) -> Outcome:
        """Write the steps that a word to a card leads to, then say what it says."""
        if self._bailout is None:
            return self._say_only(call, "no_card")
        said = answer(self._bailout)
        by = {"said": call, "program": CallOut("", call.said, "program")}
        entries = tuple(self._write(step.body, by[step.by]) for step in said.steps)
        result: Result = "accepted" if said.done else "asked"
        reason = "" if said.done else "to the bailout card"
        outcome = self._reply(Outcome(result, call.words, entries, said.reply, call.score, reason))
        self._card_asks = said.asks
        return outcome

    def _guide(self) -> None:
        """Offer the cards that entries point to, and say what the clock of an arrest calls due."""
        if self._bailout is None:
            return
        call = CallOut("", self._clock.now(), "program")
        for step, text in self._bailout.offers(*self._as_it_stands()):
            self._write(step.body, call)
            self._show(text)
            if self._voice_on:
                self._voice.say(text, Urgency.REMINDER)
            self._card_asks = "offer"
        for advice, text in self._bailout.due(*self._as_it_stands()):
            self._write(advice, call)
            self._show(f"{advice.text} ({advice.source})")
            self._voice.say(text, Urgency.CRITICAL)
            self._card_asks = ""

    # --- notes ----------------------------------------------------------------------------------

    def _write_note(
        self, body: Dictation, words: str, said: Moment, *, typed: bool, at: Moment, amends: int | None
    ) -> Entry:
        call = CallOut(words, said, "typed" if typed else "speech", recogniser=body.writer)
        return self._write(body, call, at=at, amends=amends)

    def _dictated(self, heard: Heard) -> Outcome:
        """Take an utterance as part of a note; nothing else is done with it, whatever it says."""
        said = self._moment(heard.utterance.started_s)
        if heard.given_up:
            # its sound belongs to the note; but it may have been the end of it, and something else behind that
            self._notes.add("", said, writer=None, pcm=heard.utterance.pcm)
            return self._given_up(heard)
        text, command = self._notes.understand(heard)
        call = CallOut(text, said, "speech", recogniser=heard.recogniser)
        if command == "disregard" and self._notes.open:
            return self._give_up_note(call)
        writer = None if heard.note is None else heard.note.writer
        # an end word by itself is no part of the note
        entry = None
        if text or command is None:
            entry = self._notes.add(text, said, writer=writer, pcm=heard.utterance.pcm)
        if command == "end" and self._notes.open:
            return self._end_note(call)
        return self._note_grew(call, entry)

    def _note_at_once(self, heard: Heard, text: str) -> Outcome:
        """Take a note that was begun and ended in one breath."""
        said = self._moment(heard.utterance.started_s)
        assert heard.free_text is not None
        self._notes.begin(said, words="", typed=False)
        self._notes.add(text, said, writer=heard.free_text.writer, pcm=heard.utterance.pcm)
        return self._end_note(CallOut(heard.free_text.text, said, "speech", recogniser=heard.recogniser))

    def _note_grew(self, call: CallOut, entry: Entry | None) -> Outcome:
        # silence: whoever dictates goes on
        return Outcome("accepted", call.words, () if entry is None else (entry,))

    def _end_note(self, call: CallOut) -> Outcome:
        entry = self._notes.end("said")
        assert isinstance(entry.body, Dictation)
        count = len(entry.body.text.split())
        if not count:
            reply = self.phrasing.reply("note_as_sound")
        elif count <= SAID_BACK_WORDS:
            reply = self.phrasing.reply("note_taken", text=entry.body.text)
        else:
            reply = self.phrasing.reply("note_taken_long", count=self.phrasing.number(count))
        return self._reply(Outcome("accepted", call.words, (entry,), reply, call.score))

    def _give_up_note(self, call: CallOut) -> Outcome:
        return self._withdraw(call, self._notes.withdraw().n)

    def _noted(self, call: CallOut) -> Outcome:
        """Answer what was last spoken up about: each rule until the first that was answered."""
        rules: dict[str, None] = {}
        for entry in self.case.backwards():
            if isinstance(entry.body, Noted):
                break
            if isinstance(entry.body, Advice):
                rules.setdefault(entry.body.rule)
        if not rules:
            return self._say_only(call, "nothing_to_note")
        entries = tuple(self._write(Noted(rule=rule), call) for rule in rules)
        reply = self.phrasing.reply("noted")
        return self._reply(Outcome("accepted", call.words, entries, reply, call.score))

    def _answers(self) -> Answers:
        return Answers(self.case, self.phrasing, self._limits, self._clock.now(), self._session, self._show)

    def _done(self, call: CallOut, key: str, **values: str) -> Outcome:
        return self._told(call, self.phrasing.reply(key, **values))

    def _told(self, call: CallOut, reply: str) -> Outcome:
        return self._reply(Outcome("accepted", call.words, (), reply, call.score))

    # --- the record and the voice ---------------------------------------------------------------

    def _write(
        self,
        body: Any,
        call: CallOut,
        *,
        at: Moment | None = None,
        question: str | None = None,
        alternatives: list[Any] | None = None,
        amends: int | None = None,
    ) -> Entry:
        """Put an entry on disk and into the case; nothing may come before this."""
        entry = self._recorder.write(
            body, call, at=at, question=question, alternatives=alternatives, amends=amends
        )
        self._look_after_disk()
        return entry

    def _look_after_disk(self) -> None:
        trouble = self._recorder.trouble
        if trouble is not None and self._trouble is None:
            self.say("trouble", Urgency.CRITICAL)
        elif trouble is None and self._trouble is not None:
            self.say("saved_again")
            self._show(self.phrasing.reply("saved_again"))
        if trouble is not None and trouble != self._trouble:
            self._show(trouble)
        self._trouble = trouble

    def _reply(self, outcome: Outcome) -> Outcome:
        answered = self._with_next_question(outcome)
        self._card_asks = ""
        if answered.reply:
            self._last_reply = answered.reply
            if self._voice_on:
                # with a question behind it an answer is one that asks
                asks = "asked" if answered.reply != outcome.reply else answered.result
                say_again = self.phrasing.reply("say_again")
                text, tone = aloud(
                    answered.reply, asks, answered.entries, self._verbosity, say_again=say_again
                )
                # of the answer alone: a question that was added lapses if this is cut off
                self._recall.remember(text, outcome)
                self._voice.say(text, tone=tone)
        return answered

    def _moment(self, monotonic_s: float) -> Moment:
        now = self._clock.now()
        return now.earlier(max(0.0, now.monotonic_s - monotonic_s))
