"""Judging a take technically while the candidate is still in the room: can it be heard, measured, trusted?

Nothing here is about how well it was played. Levels are dBFS: 0 is full scale, RMS of 50 ms blocks.
"""

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from app.files.audio import Audio, FloatSamples

Word = Literal["fine", "look", "refuse"]

BLOCK_SEC = 0.05  # our choice: shorter than a quick note, long enough for a bass note's period
SILENT_DB = -60.0  # our choice: nothing a panel could hear in a room
QUIET_DB = -40.0  # our choice: 16-bit noise and the room come close to the playing below this
SOUNDING_BELOW_LOUDEST_DB = 30.0  # our choice: blocks this far under the loudest count as not playing
SHORTEST_SEC = 1.0  # our choice: no piece of ours is over in less
LONG_LEAD_SEC = 15.0  # our choice: longer waiting before the first note is worth a look
CLIP_LEVEL = 0.985  # our choice: flat tops this close to full scale; codecs round 1.0 off a little
CLIP_RUN = 3  # our choice: samples in a row at the same top; two can be a true peak
CLIP_PLACES_TO_MENTION = 3  # our choice
DROPOUT_RUN = 64  # exact zeros in a row inside the sound: 1.3 ms at 48 kHz, no room or player makes them
DROPOUT_EDGE_SAMPLES = 32  # our choice: sound must stand this close on both sides
DROPOUT_EDGE_DB = 24.0  # our choice: and no further under the playing; a note that ends in 10 ms is below that by then
ROOM_BLOCKS = 5  # our choice: fewer say nothing
ROOM_BAND_HZ = (300.0, 5000.0)  # our choice: above the hum, below where codecs cut
ROOM_FLATNESS = 0.15  # our choice: white noise gives 0.56 (exp of minus Euler's constant), a soft note under 0.05
ROOM_MARGIN_DB = 20.0  # our choice: less between playing and room makes quiet notes doubtful
FASTEST = 1.5  # our choice: takes are followed up to this times the mark; who is done sooner has left something out
FASTEST_UNMARKED = 3.0  # our choice: where no mark is printed the tempo is anybody's guess


@dataclass(frozen=True, slots=True)
class Quality:
    """The technical verdict on one take: a word, sentences for the proctor, and the figures behind them."""

    word: Word  # refuse: play it again; look: listen before the candidate leaves; fine
    sentences: tuple[str, ...]
    duration_sec: float
    level_db: float | None  # of the sounding blocks
    peak_db: float | None
    room_db: float | None  # None when no pause shows the room
    sounding_sec: float
    lead_sec: float  # before the first sound
    played_sec: float  # from the first sound to the last
    clipped_places: int
    dropouts: int
    first_dropout_sec: float | None
    longest_dropout_ms: float
    damaged_packets: int

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {**asdict(self), "sentences": list(self.sentences)}


@dataclass(frozen=True, slots=True)
class Length:
    """How long an excerpt takes as printed."""

    marked_sec: float
    assumed: bool = False  # no mark is printed

    @property
    def shortest_sec(self) -> float:
        """Playing of the whole excerpt lasts at least this."""
        return self.marked_sec / (FASTEST_UNMARKED if self.assumed else FASTEST)


def check_take(audio: Audio) -> Quality:
    """Look at length, level, silence, clipping and dropouts of a decoded take."""
    samples, rate = audio.samples, audio.sample_rate
    blocks_db = block_levels_db(samples, rate)
    loudest_db = float(blocks_db.max(initial=-np.inf))
    silent = loudest_db < SILENT_DB
    sounding = blocks_db >= max(loudest_db - SOUNDING_BELOW_LOUDEST_DB, SILENT_DB)
    sounding_sec = 0.0 if silent else min(float(sounding.sum()) * BLOCK_SEC, audio.duration_sec)
    level_db = None if silent else _mean_db(blocks_db[sounding])
    peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))  # no copy: takes may be long
    clipped = _clipped_places(samples, peak)
    runs = dropouts(samples, None if level_db is None else level_db)
    quality = Quality(
        word="fine",
        sentences=(),
        duration_sec=round(audio.duration_sec, 3),
        level_db=_rounded(level_db),
        peak_db=_rounded(20 * float(np.log10(peak))) if peak > 0 else None,
        room_db=_rounded(_room_db(samples, rate, blocks_db)),
        sounding_sec=round(sounding_sec, 2),
        lead_sec=0.0 if silent else round(float(np.argmax(sounding)) * BLOCK_SEC, 2),
        played_sec=0.0 if silent else round(float(np.ptp(np.flatnonzero(sounding)) + 1) * BLOCK_SEC, 2),
        clipped_places=clipped,
        dropouts=len(runs),
        first_dropout_sec=round(float(runs[0, 0]) / rate, 3) if len(runs) else None,
        longest_dropout_ms=round(float((runs[:, 1] - runs[:, 0]).max(initial=0)) / rate * 1000, 1),
        damaged_packets=audio.damaged_packets,
    )
    return _with_word(quality)


def block_levels_db(samples: FloatSamples, sample_rate: int) -> NDArray[np.float64]:
    """RMS level in dBFS of consecutive blocks of 50 ms, shape [blocks]; minus infinity is digital silence."""
    size = max(1, round(BLOCK_SEC * sample_rate))
    whole = samples[: samples.size // size * size].reshape(-1, size)
    if whole.shape[0] == 0:
        whole = samples.reshape(1, -1)
    power = np.einsum("bn,bn->b", whole, whole, dtype=np.float64) / whole.shape[1]
    with np.errstate(divide="ignore"):
        levels: NDArray[np.float64] = 10.0 * np.log10(power)
    return levels


def dropouts(samples: FloatSamples, level_db: float | None) -> NDArray[np.int64]:
    """Runs of at least 64 exact zeros inside the sound, shape [k, 2]: first sample and one past the last.

    A gap a gate or a synthesiser leaves between notes is no dropout: there the sound dies away first. So sound must
    stand close on both sides, no more than 24 dB under the take's ``level_db``.
    """
    if level_db is None:
        return np.empty((0, 2), dtype=np.int64)
    zero = np.concatenate(([False], samples == 0.0, [False]))
    edges = np.flatnonzero(zero[1:] != zero[:-1]).reshape(-1, 2)
    runs = edges[(edges[:, 1] - edges[:, 0] >= DROPOUT_RUN) & (edges[:, 0] > 0) & (edges[:, 1] < samples.size)]
    floor = 10.0 ** ((level_db - DROPOUT_EDGE_DB) / 20.0)
    loud = [
        _rms(samples[max(0, start - DROPOUT_EDGE_SAMPLES) : start]) >= floor
        and _rms(samples[end : end + DROPOUT_EDGE_SAMPLES]) >= floor
        for start, end in runs
    ]
    found: NDArray[np.int64] = runs[np.asarray(loud, dtype=bool)].astype(np.int64)
    return found


def _room_db(samples: FloatSamples, rate: int, blocks_db: NDArray[np.float64]) -> float | None:
    """Level of the room, from the quietest tenth of the blocks, provided that noise and not a soft note fills them."""
    heard = np.flatnonzero(np.isfinite(blocks_db))
    quietest = heard[np.argsort(blocks_db[heard], kind="stable")][: max(1, heard.size // 10)]
    size = round(BLOCK_SEC * rate)
    if quietest.size < ROOM_BLOCKS or size * (int(quietest.max()) + 1) > samples.size:
        return None
    blocks = np.stack([samples[i * size : (i + 1) * size] for i in quietest]) * np.hanning(size)
    power = np.abs(np.fft.rfft(blocks, axis=1)) ** 2
    hz = np.fft.rfftfreq(size, 1 / rate)
    band = power[:, (hz >= ROOM_BAND_HZ[0]) & (hz <= ROOM_BAND_HZ[1])] + 1e-20
    flatness = np.exp(np.log(band).mean(axis=1)) / band.mean(axis=1)
    return _mean_db(blocks_db[quietest]) if float(np.median(flatness)) >= ROOM_FLATNESS else None


def against_length(quality: Quality, length: Length) -> Quality:
    """The verdict with a sentence put first where the playing is too short to be the whole excerpt."""
    if quality.word == "refuse" or quality.played_sec >= length.shortest_sec:
        return quality
    tempo = "at 96 quarter notes to the minute (no mark is printed)" if length.assumed else "at its mark"
    sentence = (
        f"{quality.played_sec:.0f} s of playing recorded; the excerpt takes about {length.marked_sec:.0f} s {tempo}. "
        "Was all of it played? If not, record it again."
    )
    others = quality.sentences if quality.word == "look" else ()
    return replace(quality, word="look", sentences=(sentence, *others))


def _with_word(quality: Quality) -> Quality:
    refused = _reasons_to_refuse(quality)
    looked = [] if refused else _reasons_to_look(quality)
    word: Word = "refuse" if refused else "look" if looked else "fine"
    sentences = refused or looked or [f"Fine: {quality.duration_sec:.0f} s, clear level, no gaps."]
    return Quality(**{**asdict(quality), "word": word, "sentences": tuple(sentences)})


def _reasons_to_refuse(quality: Quality) -> list[str]:
    if quality.level_db is None:
        return ["Nothing is to be heard; check the microphone and its cable, then play the take again."]
    if quality.duration_sec < SHORTEST_SEC or quality.sounding_sec < SHORTEST_SEC / 2:
        return [f"Only {quality.sounding_sec:.1f} s of sound; play the take again."]
    return []


def _reasons_to_look(quality: Quality) -> list[str]:
    level_db = quality.level_db if quality.level_db is not None else SILENT_DB
    found = []
    if quality.dropouts:
        found.append(
            f"The sound drops out {_times(quality.dropouts)}, first at {quality.first_dropout_sec:.1f} s "
            f"(longest {quality.longest_dropout_ms:.0f} ms); listen there, and play again if it disturbs."
        )
    if quality.clipped_places >= CLIP_PLACES_TO_MENTION:
        found.append(
            f"The microphone is overloaded in {quality.clipped_places} places; turn the input down or move it away."
        )
    if level_db < QUIET_DB:
        found.append(f"Very quiet ({level_db:.0f} dB); turn the input up or move the microphone closer.")
    if quality.room_db is not None and level_db - quality.room_db < ROOM_MARGIN_DB:
        found.append(
            f"The room is only {level_db - quality.room_db:.0f} dB below the playing; close doors and windows, "
            "switch fans off."
        )
    if quality.lead_sec > LONG_LEAD_SEC:
        found.append(f"The playing starts after {quality.lead_sec:.0f} s; check that this is the right take.")
    if quality.damaged_packets:
        found.append("A piece of the file can't be decoded; listen to it, and send it again if something is missing.")
    return found


def _times(count: int) -> str:
    return "once" if count == 1 else "twice" if count == 2 else f"{count} times"


def _clipped_places(samples: FloatSamples, peak: float) -> int:
    """How many flat tops: at least three samples in a row within 0.05 % of a peak near full scale."""
    if peak < CLIP_LEVEL:
        return 0
    high = np.float32(max(CLIP_LEVEL, peak * 0.9995))
    top = np.concatenate(([False], (samples >= high) | (samples <= -high), [False]))
    edges = np.flatnonzero(top[1:] != top[:-1]).reshape(-1, 2)
    return int((edges[:, 1] - edges[:, 0] >= CLIP_RUN).sum())


def _mean_db(blocks_db: NDArray[np.float64]) -> float:
    return float(10.0 * np.log10(np.mean(10.0 ** (blocks_db / 10.0))))


def _rms(samples: FloatSamples) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))) if samples.size else 0.0


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
