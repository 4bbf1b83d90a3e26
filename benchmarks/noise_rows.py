"""The rows of `benchmarks/noise_tried.py`: changes of the sound, of the listeners, and of the end-pointer."""

from __future__ import annotations

import importlib.util
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest.mock import patch

import numpy as np
import soxr
from hearing_corpus.noise import Sound
from pocketsphinx import Vad

from checkback.errors import UserError
from checkback.hearing import pocketsphinx as first_listener
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES, Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Hypothesis, Pcm
from checkback.hearing.voice_activity import NeuralDetector, PlainDetector, VoiceDetector

Change = Callable[[Sound], Sound]

_RNNOISE_RATE_HZ = 48_000
LEAD_SAMPLES = int(0.8 * SAMPLE_RATE_HZ)
"""Beginning of each file in which nobody speaks."""


def _unchanged(sound: Sound) -> Sound:
    return sound


@cache
def _rnnoise() -> ModuleType:
    """Return the plain binding inside pyrnnoise; the package itself wants a library of codecs."""
    found = importlib.util.find_spec("pyrnnoise")
    if found is None or not found.submodule_search_locations:
        raise UserError("This row needs RNNoise: pip install --no-deps pyrnnoise.")
    path = Path(found.submodule_search_locations[0]) / "rnnoise.py"
    spec = importlib.util.spec_from_file_location("rnnoise_binding", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def rnnoise(share: float, sound: Sound) -> Sound:
    """Denoise with RNNoise (Valin 2018, its published weights) and mix `share` of that with the sound."""
    binding = _rnnoise()
    wide = soxr.resample(sound, SAMPLE_RATE_HZ, _RNNOISE_RATE_HZ)
    size = binding.FRAME_SIZE
    pcm = np.round(np.clip(np.pad(wide, (0, -len(wide) % size + size)), -1, 1) * 32_767).astype(np.int16)
    state = binding.create()
    frames = [binding.process_mono_frame(state, frame)[0] for frame in pcm.reshape(-1, size)]
    binding.destroy(state)
    # the first frame that comes out belongs to the sound of one frame before
    clean = np.concatenate(frames)[size : size + len(wide)] / 32_767
    narrow = soxr.resample(clean, _RNNOISE_RATE_HZ, SAMPLE_RATE_HZ)
    narrow = np.pad(narrow, (0, max(0, len(sound) - len(narrow))))[: len(sound)]
    return share * narrow + (1 - share) * sound


def gated(share: float, stationary: bool, sound: Sound) -> Sound:
    """Denoise by spectral gating, with the quiet before the speech as the noise where it is fixed."""
    try:
        import noisereduce
    except ImportError:
        raise UserError("This row needs pip install --no-deps noisereduce joblib cloudpickle tqdm.") from None
    given = {"y_noise": sound[:LEAD_SAMPLES]} if stationary else {}
    return np.asarray(
        noisereduce.reduce_noise(
            y=sound, sr=SAMPLE_RATE_HZ, stationary=stationary, prop_decrease=share, **given
        )
    )


def levelled(sound: Sound) -> Sound:
    """Bring the loudest tenth of the 30 ms blocks to -20 dB of full scale."""
    blocks = sound[: len(sound) // BLOCK_SAMPLES * BLOCK_SAMPLES].reshape(-1, BLOCK_SAMPLES)
    loud = np.sqrt(np.quantile(np.mean(np.square(blocks), axis=1), 0.9))
    return np.clip(sound * 0.1 / max(loud, 1e-6), -1, 1)


def gain_controlled(sound: Sound) -> Sound:
    """Follow the level slowly (0.4 s) and even out half of its changes, in decibels."""
    power = np.square(sound)
    decay = np.exp(-1 / (0.4 * SAMPLE_RATE_HZ))
    from scipy.signal import lfilter

    level = np.sqrt(lfilter([1 - decay], [1, -decay], power, zi=[decay * power[:8000].mean()])[0])
    return np.clip(sound * np.sqrt(0.1 / np.maximum(level, 1e-3)) * 0.5, -1, 1)


@dataclass(frozen=True)
class Adaptation:
    """What is carried over from a speaker's reading: settings of the search, and a cepstral mean."""

    settings: Mapping[str, Any] = field(default_factory=dict)
    mean: str | None = None


Adapt = Callable[[Grammar, Sequence[tuple[Pcm, str]]], Adaptation]


@dataclass(frozen=True)
class First:
    """A variant of the first listener.

    Attributes
    ----------
    what : str
    sound : callable
        Change of the whole file before the utterance is cut out of it.
    settings : mapping
        Settings of PocketSphinx that differ.
    features : mapping
        Lines of the model's feature settings that differ.
    pronunciations : mapping of str to tuple of str
        Further pronunciations.
    adaptation : callable or None
        Makes something of a speaker's reading.
    enrolled_in : str
        Condition of that reading.
    cut_by : str
        Detector of voices that trims the utterance while the pedal is held.
    whole : bool
        The noise and the mean are those of the whole sound.
    gate : bool
        What does not stand out of the quietest moments is turned down.
    tuned : bool
        The acoustic model is the one that is changed for call-outs.
    """

    what: str
    sound: Change = _unchanged
    settings: Mapping[str, Any] = field(default_factory=dict)
    features: Mapping[str, str] = field(default_factory=dict)
    pronunciations: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    adaptation: Adapt | None = None
    enrolled_in: str = "quiet"
    cut_by: str = "vad-today"
    whole: bool = False
    gate: bool = True
    tuned: bool = True


class _MeanGiven(PocketSphinxDecoder):
    """Begins with a cepstral mean that was measured before, instead of that of the utterance."""

    mean = ""

    def _learn(self, pcm: Pcm) -> None:
        super()._learn(pcm)
        # the search has begun, and nothing of the sound is in it yet
        self._by_piece.set_cmn(self.mean)


class _LearntFromAll(PocketSphinxDecoder):
    """Takes the noise and the mean from the whole sound, which can begin only when it is over."""

    def decode(self, pcm: Pcm, *, held: bool = False) -> tuple[Hypothesis, ...]:
        with patch.multiple(first_listener, LEARNT_AT=(), LEARNT_AT_HELD=()):
            return super().decode(pcm, held=held)


class _Open:
    """A gate that lets everything through."""

    def __init__(self, pcm: Pcm) -> None:
        pass

    def __call__(self, pcm: Pcm, since: int = 0) -> Pcm:
        return pcm[since:]


class _NotGated(PocketSphinxDecoder):
    """Hears the sound as it is."""

    def decode(self, pcm: Pcm, *, held: bool = False) -> tuple[Hypothesis, ...]:
        with patch.object(first_listener, "Gate", _Open):
            return super().decode(pcm, held=held)


def _features(changes: Mapping[str, str], folder: Path) -> dict[str, str]:
    """Return the setting that names changed feature settings; the model's own override all others."""
    if not changes:
        return {}
    lines = (first_listener.ACOUSTIC_MODEL / "feat.params").read_text(encoding="utf-8").split()
    known = {**dict(zip(lines[::2], lines[1::2], strict=True)), **{f"-{k}": v for k, v in changes.items()}}
    path = folder / "feat.params"
    path.write_text("".join(f"{name} {value}\n" for name, value in known.items()), encoding="utf-8")
    return {"featparams": str(path)}


def made_decoder(row: First, grammar: Grammar, adaptation: Adaptation) -> PocketSphinxDecoder:
    """Make the decoder of a row."""
    if row.pronunciations:
        ways = dict(grammar.pronunciations)
        for word, more in row.pronunciations.items():
            if word in grammar.words:
                ways[word] = (*ways.get(word, ()), *more)
        grammar = replace(grammar, pronunciations=ways)
    kind: type[PocketSphinxDecoder] = PocketSphinxDecoder
    if row.whole:
        kind = _LearntFromAll
    elif not row.gate:
        kind = _NotGated
    elif adaptation.mean is not None:
        kind = _MeanGiven
    with tempfile.TemporaryDirectory() as folder:
        settings = {
            **first_listener.TUNED,
            **row.settings,
            **adaptation.settings,
            **_features(row.features, Path(folder)),
        }
        with patch.object(first_listener, "TUNED", settings):
            decoder = kind(grammar, tuned=row.tuned)
    if isinstance(decoder, _MeanGiven):
        decoder.mean = adaptation.mean or ""
    return decoder


def mean_of_reading(grammar: Grammar, reading: Sequence[tuple[Pcm, str]]) -> Adaptation:
    """Return the cepstral mean of a reading."""
    decoder = PocketSphinxDecoder(grammar)
    decoder._whole.reinit_feat()
    read = [first_listener.Gate(pcm)(pcm) for pcm, _ in reading]
    decoder._pass(first_listener._NO_SEARCH, np.concatenate(read))
    return Adaptation(mean=decoder._whole.get_cmn())


def warp_of_reading(grammar: Grammar, reading: Sequence[tuple[Pcm, str]]) -> Adaptation:
    """Return the frequency warp, as for the length of a vocal tract, with which a reading fits best."""
    fits: dict[str, float] = {}
    for factor in WARPS:
        settings = _warped(factor)
        decoder = made_decoder(First("", settings=settings), grammar, Adaptation())
        found = [decoder.weigh(pcm, [words])[0] for pcm, words in reading[:WARP_SENTENCES]]
        fits[factor] = sum(fit if fit is not None else _NO_FIT for fit in found)
    return Adaptation(settings=_warped(max(fits, key=lambda factor: fits[factor])))


def _warped(factor: str) -> dict[str, str]:
    return {} if factor == "1.0" else {"warp_type": "inverse_linear", "warp_params": factor}


WARPS = ("0.92", "0.96", "1.0", "1.04", "1.08")
WARP_SENTENCES = 8
_NO_FIT = -1000.0


def transform_of_reading(grammar: Grammar, reading: Sequence[tuple[Pcm, str]]) -> Adaptation:
    """Return a transform of all means (MLLR with one class) with which a reading fits best."""
    from mllr import estimated, written

    folder = Path(tempfile.mkdtemp(prefix="mllr"))
    path = folder / "mllr"
    path.write_text(written(estimated(grammar, reading, folder)), encoding="ascii")
    return Adaptation(settings={"mllr": str(path)})


_TENS = {
    "twenty": ("T W EH N IY", "T W AH N IY"),
    "thirty": ("TH ER D IY",),
    "forty": ("F AO R D IY",),
    "fifty": ("F IH F D IY", "F IH F IY"),
    "sixty": ("S IH K S D IY", "S IH K S IY"),
    "seventy": ("S EH V AH N D IY", "S EH V AH N IY"),
    "eighty": ("EY D IY",),
    "ninety": ("N AY N D IY", "N AY N IY"),
}
"""Tens with a weak T, as in American speech; from memory, no source."""

_WEAK = {
    "on": ("AO N", "AH N"),
    "off": ("AA F", "AO F F"),
    "and": ("AH N", "N"),
    "of": ("AH", "AH V"),
    "at": ("AH T", "AE T"),
    "by": ("B AH", "B AY"),
    "to": ("T AH", "T UW"),
    "units": ("Y UW N AH T S",),
    "point": ("P OY N",),
    "atmospheres": ("AE T M AH S F IH R Z", "AE M AH S F IH R Z"),
    "oh": ("OW", "AO"),
}
"""Weak forms of short words; from memory, no source."""

FIRST: dict[str, First] = {
    "today": First("the program as it is"),
    "rnnoise": First("RNNoise before PocketSphinx", sound=partial(rnnoise, 1.0)),
    "rnnoise-half": First("half RNNoise, half as it was", sound=partial(rnnoise, 0.5)),
    "rnnoise-alone": First(
        "RNNoise instead of the noise removal inside",
        sound=partial(rnnoise, 1.0),
        features={"remove_noise": "no"},
    ),
    "untuned": First("the acoustic model as it came", tuned=False),
    "no-gating": First("without the spectral gating of now", gate=False),
    "gating-before": First(
        "gating by noisereduce instead, noise from before the speech",
        sound=partial(gated, 0.8, True),
        gate=False,
    ),
    "gating-moving": First(
        "gating by noisereduce instead, noise followed", sound=partial(gated, 0.8, False), gate=False
    ),
    "cut-by-plain": First("utterance trimmed by the plain detector", cut_by="vad-plain"),
    "cut-by-silero": First("utterance trimmed by the Silero detector (0.5)", cut_by="vad-silero"),
    "level": First("level brought to -20 dB of full scale", sound=levelled),
    "gain-control": First("level followed, half of the changes evened out", sound=gain_controlled),
    "agc-max": First("gain control of PocketSphinx", features={"agc": "max"}),
    "no-noise-removal": First("noise removal of PocketSphinx off", features={"remove_noise": "no"}),
    "beams-wider": First(
        "beams 1e-100, 1e-100, 1e-80", settings={"beam": 1e-100, "pbeam": 1e-100, "wbeam": 1e-80}
    ),
    "learnt-from-all": First("noise and mean of the whole sound, when it is over", whole=True),
    "search-before": First(
        "beams 1e-80, 1e-80, 1e-60 and 3000 states, as before",
        settings={"beam": 1e-80, "pbeam": 1e-80, "wbeam": 1e-60, "maxhmmpf": 3000},
    ),
    "states-10000": First("up to 10000 states a frame instead of 2000", settings={"maxhmmpf": 10_000}),
    "all-wider": First(
        "beams 1e-100, 1e-100, 1e-80 and 10000 states",
        settings={"beam": 1e-100, "pbeam": 1e-100, "wbeam": 1e-80, "maxhmmpf": 10_000},
    ),
    "wip-0.5": First("word insertion 0.5 instead of 0.05", settings={"wip": 0.5}),
    "wip-0.005": First("word insertion 0.005", settings={"wip": 0.005}),
    "silence-0.01": First("silence between words 0.01 instead of 0.1", settings={"silprob": 0.01}),
    "silence-0.5": First("silence between words 0.5", settings={"silprob": 0.5}),
    "filler-1e-4": First("noise words 1e-4 instead of 1e-8", settings={"fillprob": 1e-4}),
    "varnorm": First("variance normalised too", features={"varnorm": "yes"}),
    "topn-16": First("16 densities of a codebook instead of 8", settings={"topn": 16}),
    "second-search": First("the flat second search on", settings={"fwdflat": True}),
    "tens": First("tens also with a weak T", pronunciations=_TENS),
    "weak-forms": First("short words also in their weak forms", pronunciations=_WEAK),
    "mean-read-in-quiet": First("cepstral mean of a reading in quiet", adaptation=mean_of_reading),
    "mean-read-in-noise": First(
        "cepstral mean of a reading in noise", adaptation=mean_of_reading, enrolled_in="mix10"
    ),
    "warp": First("frequency warp from a reading in quiet", adaptation=warp_of_reading),
    "mllr": First(
        "means of the model as it came transformed after a reading in quiet",
        adaptation=transform_of_reading,
        tuned=False,
    ),
    "mllr-in-noise": First(
        "means of the model as it came transformed after a reading in noise",
        adaptation=transform_of_reading,
        enrolled_in="mix10",
        tuned=False,
    ),
}

SECOND: dict[str, Change] = {
    "whisper-today": _unchanged,
    "whisper-rnnoise": partial(rnnoise, 1.0),
    "whisper-rnnoise-half": partial(rnnoise, 0.5),
    "whisper-gating": partial(gated, 0.8, True),
    "whisper-level": levelled,
    "whisper-gain-control": gain_controlled,
}


class _VadInNoise:
    """The plain detector, on sound from which RNNoise took the noise."""

    def __init__(self, pcm: Pcm) -> None:
        self._clean = np.round(rnnoise(1.0, pcm / 32_767) * 32_767).astype(np.int16)
        self._vad = Vad(Vad.LOOSE, SAMPLE_RATE_HZ, BLOCK_S)
        self._at = 0

    def is_speech(self, block: Pcm) -> bool:
        self._at += len(block)
        return bool(self._vad.is_speech(self._clean[self._at - len(block) : self._at].tobytes()))

    def reset(self) -> None:
        pass


class _Stricter(PlainDetector):
    """WebRTC's detector in another degree of strictness."""

    def __init__(self, strictness: int) -> None:
        self._strictness = strictness
        super().__init__(BLOCK_S)

    def reset(self) -> None:
        self._vad = Vad(self._strictness, SAMPLE_RATE_HZ, BLOCK_S)


ENDPOINTERS: dict[str, Callable[[Pcm], VoiceDetector]] = {
    "vad-today": lambda pcm: NeuralDetector(),
    "vad-plain": lambda pcm: PlainDetector(BLOCK_S),
    "vad-medium-loose": lambda pcm: _Stricter(Vad.MEDIUM_LOOSE),
    "vad-medium-strict": lambda pcm: _Stricter(Vad.MEDIUM_STRICT),
    "vad-strict": lambda pcm: _Stricter(Vad.STRICT),
    "vad-rnnoise": _VadInNoise,
    "vad-silero": lambda pcm: NeuralDetector(0.5, 0.5, 0),
    "vad-silero-0.3": lambda pcm: NeuralDetector(0.3, 0.3, 0),
    "vad-silero-0.3-held": lambda pcm: NeuralDetector(0.3, 0.2, 4),
    "vad-silero-0.7-held": lambda pcm: NeuralDetector(0.7, 0.5, 4),
}
"""The plain detector inside PocketSphinx is that of WebRTC, in four degrees of strictness."""


def segmenter_with(name: str, pcm: Pcm) -> Segmenter:
    """Return the end-pointer with another detector of voices, for one sound."""
    return Segmenter(ENDPOINTERS[name](pcm))
