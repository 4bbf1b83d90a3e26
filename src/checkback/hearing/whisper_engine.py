"""What runs in the child process of the Whisper listener."""

from __future__ import annotations

import json
import os
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing.log_mel import FRAMES_PER_S, log_mel
from checkback.hearing.phone_posteriors import PhonePosteriors
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.hearing.whisper import (
    GET_MODEL,
    Find,
    FreeText,
    Judge,
    Judged,
    Reply,
    Request,
    Score,
    Scored,
    Spelling,
    Take,
    Taken,
    Transcribe,
    digest_of,
)
from checkback.hearing.whisper_encoder import SoundEncoder
from checkback.hearing.whisper_file import Array, UnknownModelError, changed
from checkback.hearing.whisper_judge import LegalJudge, Written

TUNING = Path(__file__).parent / "tuning" / "whisper-base.npz"
"""A change of the weights of the multilingual base model, for call-outs in noise; `benchmarks/tune_whisper.py` made it."""

PHONES_LEARNT = Path(__file__).parent / "tuning" / "whisper-base-phones.npz"
"""What tells the phones from what that changed model hears; `benchmarks/tune_phones.py` made it."""

_VOCABULARIES = ("vocabulary.json", "vocabulary.txt")

LONGEST_S = 30
"""The longest sound that the model takes at once."""

PIECE_S = 28.0
"""Longer sound is cut into pieces of at most this length, where it is quietest."""

CUT_WITHIN_S = 10.0
"""How far before the end of a piece the quiet place is looked for."""

SHORTEST_S = 0.1
"""Shorter sound holds no word."""

PADDING_S = 1.0
"""Silence behind the sound, from which the model tells that the text is over."""

LEAST_CONTEXT_S = 10.0
"""Shorter contexts than this cost single words; see `benchmarks/whisper_model.py`."""

TUNED_CONTEXT_S = 5.0
"""The tuned model has learnt to do with less, in half of the time."""

MOST_TOKENS_PER_S = 8.0
"""Fast speech has about five pieces of words a second.  More is a loop of the decoder."""

SPARE_TOKENS = 16

MOST_PROMPT_TOKENS = 223
"""Half of what the decoder holds, less one, is for the text before."""

MOST_TEXT_TOKENS = 200

BATCH = 8
"""Texts that are scored at once; more at once were not faster."""

KEPT_SOUNDS = 4
"""For so many sounds the encoder's output is kept, some megabytes each."""


def pieces_of(pcm: Pcm) -> list[Pcm]:
    """Cut sound that is too long where it is quietest; what is left is in order and complete."""
    longest, back = int(PIECE_S * SAMPLE_RATE_HZ), int(CUT_WITHIN_S * SAMPLE_RATE_HZ)
    step = SAMPLE_RATE_HZ // 20
    pieces = []
    while len(pcm) > LONGEST_S * SAMPLE_RATE_HZ:
        candidates = pcm[longest - back : longest].astype(np.float64)
        energy = np.square(candidates).reshape(-1, step).sum(axis=1)
        # over a fifth of a second, so that the closure of a "t" is no pause
        smooth = np.convolve(energy, np.ones(4), mode="valid")
        cut = longest - back + (int(np.argmin(smooth)) + 2) * step
        pieces.append(pcm[:cut])
        pcm = pcm[cut:]
    return [*pieces, pcm]


def context_frames(samples: int, least_s: float = LEAST_CONTEXT_S) -> int:
    """Return how many frames of 10 ms the encoder is given for a sound."""
    seconds = min(max(samples / SAMPLE_RATE_HZ + PADDING_S, least_s), LONGEST_S)
    # the encoder halves the number of frames
    return int(np.ceil(seconds * FRAMES_PER_S / 2)) * 2


def encoded_frames(samples: int) -> int:
    """Return how many frames of the encoder's output are of the sound itself; each stands for two of 10 ms."""
    return int(np.ceil(samples / SAMPLE_RATE_HZ * FRAMES_PER_S / 2))


def _most_pieces(pcm: Pcm) -> int:
    return int(MOST_TOKENS_PER_S * len(pcm) / SAMPLE_RATE_HZ) + SPARE_TOKENS


def _log_softmax(logits: NDArray[np.float32]) -> NDArray[np.float32]:
    shifted = logits - logits.max()
    return np.asarray(shifted - np.log(np.exp(shifted).sum()), dtype=np.float32)


class _Engine:
    """A loaded model, and the same as it came for what is dictated, if it was tuned for call-outs.

    The library's scoring of a given text leaves the end of the text out of the probabilities: it looks
    only at what stands before the end token in the vocabulary.  Then "24" and "24.5" cannot be told
    apart fairly.  So for that the model is loaded once more, with the name of the end token given to the last
    special token before the time stamps; the real end token is then a token like any other.
    """

    def __init__(
        self,
        folder: Path,
        language: str,
        threads: int,
        spelling: Spelling | None = None,
        tuned: bool = True,
    ) -> None:
        import ctranslate2
        import tokenizers

        self._view = ctranslate2.StorageView
        self._tokenizer = tokenizers.Tokenizer.from_file(str(folder / "tokenizer.json"))
        options: dict[str, Any] = {"device": "cpu", "compute_type": "int8", "intra_threads": threads}
        files = _beside(folder)

        def weights() -> tuple[bytes, bytes]:
            came = (folder / "model.bin").read_bytes()
            try:
                return came, (changed(came, TUNING) if tuned else None) or came
            except UnknownModelError:
                # the library may know how to read it
                return came, came

        def loaded(model: bytes, beside: Mapping[str, bytes] = files) -> Any:
            return ctranslate2.models.Whisper(str(folder), files={"model.bin": model, **beside}, **options)

        came, model = weights()
        self._threads = threads
        self._tuned = model is not came
        self._phones = PhonePosteriors(PHONES_LEARNT, threads) if self._tuned else None
        self._plain = loaded(came)
        # only for what the model's own halves here do not do
        self._load_writing = cache(lambda: loaded(weights()[1]) if self._tuned else self._plain)
        self._own_encoder: SoundEncoder | None = None
        self._end = self._id("<|endoftext|>")
        self._before_times = self._id("<|notimestamps|>")
        self._start = [self._id("<|startoftranscript|>")]
        if self._plain.is_multilingual:
            self._start += [self._id(f"<|{language}|>"), self._id("<|transcribe|>")]
        elif language != "en":
            raise UserError(f"The Whisper model in {folder} is for English alone, and not for {language!r}.")
        self._previous = self._id("<|startofprev|>")
        told = json.loads(files["config.json"])
        #: Marks of all kinds that the library does not write either, and what it does not begin with.
        self._barred = told.get("suppress_ids", []), told.get("suppress_ids_begin", [])
        #: The last token that takes part in the probabilities.
        self._last = self._before_times - 1
        # only for models that cannot be searched with
        self._load_scoring = cache(
            lambda: loaded(weights()[1], _with_another_end(files, self._end, self._last))
        )
        self._encoded: OrderedDict[bytes, NDArray[np.float32]] = OrderedDict()
        self._beside = ThreadPoolExecutor(1, thread_name_prefix="writing")
        self._judge = None if spelling is None else self._make_judge(model, spelling)

    def _make_judge(self, model: bytes, spelling: Spelling) -> LegalJudge | None:
        def silence() -> Array:
            self._own_encoder = SoundEncoder(model, self._threads)
            encoded: Array = self._encode(np.zeros(SAMPLE_RATE_HZ, np.int16))[0]
            return encoded

        try:
            return LegalJudge(
                model,
                self._last,
                spelling,
                self._ids,
                [*self._start, self._before_times],
                self._end,
                *self._barred,
                silence,
            )
        except UnknownModelError:
            # it still writes, and scores what it is given
            self._own_encoder = None
            return None

    def _id(self, token: str) -> int:
        number = self._tokenizer.token_to_id(token)
        if number is None:
            raise UserError(f"The Whisper model does not know {token}: it is for another language or task.")
        return int(number)

    def answer(self, request: Request) -> Reply:
        if isinstance(request, Transcribe):
            return self._transcribe(request)
        if isinstance(request, Score):
            return self._score(request)
        if isinstance(request, Take):
            return self._take(request.writing)
        return self._sentences(request)

    def _take(self, writing: Transcribe) -> Taken:
        length_s = len(writing.pcm) / SAMPLE_RATE_HZ
        if self._tuned and self._judge is not None and SHORTEST_S <= length_s <= LONGEST_S:
            # The tuned model writes well without a text before, and then it writes on the way of the search.
            digest, encoded = digest_of(writing.pcm), self._encode(writing.pcm)[0]
            found, written = self._judge.take(digest, encoded, _most_pieces(writing.pcm))
            return Taken(found, self._as_text(written), self._hear_phones(writing.pcm, encoded))
        if len(writing.pcm) >= SHORTEST_S * SAMPLE_RATE_HZ:
            # for both
            self._encode(pieces_of(writing.pcm)[0])
        wrote = self._beside.submit(self._transcribe, writing)
        return Taken(self._sentences(Find(writing.pcm)), wrote.result())

    def _hear_phones(self, pcm: Pcm, encoded: Array) -> Array | None:
        """Return which phones are heard in each frame of a sound, without the silence behind it."""
        if self._phones is None:
            return None
        return self._phones(encoded)[: encoded_frames(len(pcm))]

    def _as_text(self, written: Written) -> FreeText:
        text = self._tokenizer.decode([piece for piece in written.pieces if piece != self._end]).strip()
        return FreeText(
            text,
            self._pieces(written.pieces),
            tuple(round(value, 4) for value in written.logprobs),
            round(written.no_speech, 4),
            tuned=True,
        )

    def _sentences(self, request: Find | Judge) -> tuple[Judged, ...]:
        if len(request.pcm) < SHORTEST_S * SAMPLE_RATE_HZ:
            return ()
        pcm = request.pcm[: LONGEST_S * SAMPLE_RATE_HZ]
        if self._judge is None:
            texts = request.texts if isinstance(request, Judge) else ()
            return tuple(Judged(each.text, each.logprobs) for each in self._score(Score(pcm, texts, "")))
        sound = digest_of(pcm), self._encode(pcm)[0]
        return (
            self._judge.judge(*sound, request.texts)
            if isinstance(request, Judge)
            else self._judge.find(*sound)
        )

    def _ids(self, text: str) -> list[int]:
        # a sentence begins with a space in this vocabulary
        text = text.strip()
        return list(self._tokenizer.encode(f" {text}", add_special_tokens=False).ids) if text else []

    def _prompt(self, text: str) -> list[int]:
        ids = self._ids(text)[-MOST_PROMPT_TOKENS:]
        return [self._previous, *ids, *self._start] if ids else self._start

    def _encode(self, pcm: Pcm, plain: bool = False) -> NDArray[np.float32]:
        """Return the encoder's output, shape (1, frames / 2, width)."""
        plain = plain or not self._tuned
        digest = digest_of(pcm) + (b"as it came" if plain else b"")
        if digest not in self._encoded:
            self._encoded[digest] = self._newly_encoded(pcm, plain)
            if len(self._encoded) > KEPT_SOUNDS:
                self._encoded.popitem(last=False)
        self._encoded.move_to_end(digest)
        return self._encoded[digest]

    def _newly_encoded(self, pcm: Pcm, plain: bool) -> NDArray[np.float32]:
        least_s = LEAST_CONTEXT_S if plain else TUNED_CONTEXT_S
        features = log_mel(pcm, context_frames(len(pcm), least_s), self._plain.n_mels)
        # its own half is of the model that is searched with
        if self._own_encoder is not None and plain != self._tuned:
            return self._own_encoder(features)[None]
        model = self._plain if plain else self._load_writing()
        return np.array(model.encode(self._view.from_array(features[None]), to_cpu=True))

    def _transcribe(self, request: Transcribe) -> FreeText:
        if len(request.pcm) < SHORTEST_S * SAMPLE_RATE_HZ:
            return FreeText("", tuned=self._tuned)
        prompt = request.prompt
        parts = []
        for piece in pieces_of(request.pcm):
            part = self._write_down(piece, prompt, request)
            parts.append(part)
            if part.is_speech:
                prompt = f"{prompt} {part.text}"
        if len(parts) == 1:
            return parts[0]
        spoken = [part for part in parts if part.is_speech] or parts[:1]
        return FreeText(
            text=" ".join(part.text for part in spoken),
            tokens=tuple(token for part in spoken for token in part.tokens),
            logprobs=tuple(value for part in spoken for value in part.logprobs),
            no_speech=min(part.no_speech for part in spoken),
            tuned=spoken[0].tuned,
        )

    def _write_down(self, pcm: Pcm, prompt: str, request: Transcribe) -> FreeText:
        beam, alternatives = request.beam, request.alternatives
        start = self._prompt(prompt)
        encoded = self._encode(pcm, request.plain)
        longest = _most_pieces(pcm)
        result = (self._plain if request.plain else self._load_writing()).generate(
            self._view.from_array(encoded),
            [[*start, self._before_times]],
            beam_size=beam,
            num_hypotheses=alternatives + 1,
            return_scores=True,
            return_no_speech_prob=True,
            # a wider search gives none that can be read
            return_logits_vocab=beam == 1,
            # the library takes the smaller of a half of this and this less the prompt
            max_length=max(2 * longest, longest + len(start)),
        )[0]
        ids = [*result.sequences_ids[0], self._end]
        if beam == 1:
            # one that was cut off at its greatest length has no end
            ids = ids[: len(result.logits[0])]
            steps = zip(result.logits[0], ids, strict=True)
            logprobs = tuple(
                float(_log_softmax(np.array(step)[: self._last])[token]) for step, token in steps
            )
        else:
            (logprobs,) = self._probabilities(encoded, start, [ids])
        found = [self._tokenizer.decode(each).strip() for each in result.sequences_ids]
        # the library divides by the length
        totals = [
            score * (len(each) + 1) for score, each in zip(result.scores, result.sequences_ids, strict=True)
        ]
        return FreeText(
            text=found[0],
            tokens=self._pieces(ids),
            logprobs=tuple(round(value, 4) for value in logprobs),
            no_speech=round(float(result.no_speech_prob), 4),
            alternatives=tuple(
                (text, round(total, 4))
                for text, total in zip(found[1:], totals[1:], strict=True)
                if text and text != found[0]
            ),
            tuned=self._tuned and not request.plain,
        )

    def _pieces(self, ids: Sequence[int]) -> tuple[str, ...]:
        return tuple("" if number >= self._end else self._tokenizer.decode([number]) for number in ids)

    def _score(self, request: Score) -> tuple[Scored, ...]:
        if len(request.pcm) < SHORTEST_S * SAMPLE_RATE_HZ:
            # nothing can have been said
            return tuple(Scored(text, ("",), (float("-inf"),)) for text in request.texts)
        encoded = self._encode(request.pcm[: LONGEST_S * SAMPLE_RATE_HZ])
        start = self._prompt(request.prompt)
        texts = [(text, [*self._ids(text)[:MOST_TEXT_TOKENS], self._end]) for text in request.texts]
        # those of a length together, because all of a batch are as long as its longest
        order = sorted(range(len(texts)), key=lambda n: len(texts[n][1]))
        found: dict[int, Scored] = {}
        for first in range(0, len(order), BATCH):
            batch = order[first : first + BATCH]
            logprobs = self._probabilities(encoded, start, [texts[n][1] for n in batch])
            for n, values in zip(batch, logprobs, strict=True):
                text, ids = texts[n]
                found[n] = Scored(text, self._pieces(ids), tuple(round(value, 4) for value in values))
        return tuple(found[n] for n in range(len(texts)))

    def _probabilities(
        self, encoded: NDArray[np.float32], start: list[int], batch: list[list[int]]
    ) -> list[tuple[float, ...]]:
        """Return the logarithm of the probability of each token of each of some token sequences."""
        memory = self._view.from_array(np.repeat(encoded, len(batch), axis=0))
        results = self._load_scoring().align(memory, start, batch, 2 * encoded.shape[1])
        least = np.finfo(np.float32).tiny
        return [tuple(np.log(np.maximum(each.text_token_probs, least)).tolist()) for each in results]


def _beside(folder: Path) -> dict[str, bytes]:
    """Return the files of a model that are not its weights."""
    words = next(name for name in _VOCABULARIES if (folder / name).is_file())
    return {name: (folder / name).read_bytes() for name in ("config.json", words)}


def _with_another_end(files: Mapping[str, bytes], end: int, other: int) -> dict[str, bytes]:
    """Return the files of a model in which two tokens have each other's names."""
    swapped = dict(files)
    if "vocabulary.json" in files:
        words = json.loads(files["vocabulary.json"])
        words[end], words[other] = words[other], words[end]
        swapped["vocabulary.json"] = json.dumps(words).encode()
    else:
        lines = files["vocabulary.txt"].split(b"\n")
        lines[end], lines[other] = lines[other], lines[end]
        swapped["vocabulary.txt"] = b"\n".join(lines)
    return swapped


def make_engine(
    folder: Path, language: str, threads: int, spelling: Spelling | None = None, tuned: bool = True
) -> Callable[[Request], Reply]:
    """Load the model, in the child, with its weights tuned for call-outs if there is a tuning for it.

    Raises
    ------
    UserError
        If it cannot be used.
    """
    # should a library ever want to fetch something, it is told not to
    os.environ.update(HF_HUB_OFFLINE="1", HF_HUB_DISABLE_TELEMETRY="1")
    try:
        return _Engine(folder, language, threads, spelling, tuned).answer
    except UserError:
        raise
    except Exception as error:
        raise UserError(
            f"The Whisper model in {folder} cannot be loaded ({error}): it may be damaged or no Whisper model "
            f"converted for CTranslate2; {GET_MODEL}."
        ) from error
