"""A process that reads damaged files, under limits, and tells what became of each.

Run as ``python tests/files/fuzz_readers.py KIND FIRST COUNT FOLDER``: KIND is audio or notation. A file that takes
longer than 10 seconds of processor time, needs over 1 GB or crashes a library ends this process; the number it stood at
is in FOLDER/at. Prints the count of every outcome as JSON.
"""

import json
import random
import re
import resource
import signal
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import notation_pages
import numpy as np
import test_files_audio
from test_files_notation_refusals import CONTAINER, zipped

from app.domain.errors import FairhearingError

LONGEST_SEC = 10  # of processor time, so that a busy machine fails nothing
PATIENCE_SEC = 600  # of the clock, for what waits for ever
MOST_MEMORY_BYTES = 2**30
VALUES = (
    b"0",
    b"-1",
    b"1",
    b"3",
    b"7",
    b"64",
    b"999999999999",
    b"0.333333",
    b"1e308",
    b"NaN",
    b"",
    b"H",
    b"quarter",
    b"start",
)
EXTREMES = (b"0", b"-1", b"999999999999", b"1e308", b"NaN", b"", b"\xff\xfe", b"C", b"<note/>", b"&x;")


def audio_seeds() -> list[bytes]:
    """One small recording of every kind that is taken."""
    sound = test_files_audio.tone(1.3)
    both = np.stack([sound, sound * 0.5])
    kinds = {(muxer, codec) for muxer, codec, *_ in test_files_audio.KINDS.values()}
    seeds = [test_files_audio.mono(sound, muxer, codec) for muxer, codec in sorted(kinds)]
    return [*seeds, test_files_audio.encode(both, test_files_audio.RATE, "wav", "pcm_s16le")]


def notation_seeds() -> list[bytes]:
    """Pages, compressed and plain, and a MIDI file."""
    here = Path(__file__).parent
    pages = [path.read_bytes() for path in sorted((here / "fixtures").glob("*.musicxml"))]
    pages.append(notation_pages.page(notation_pages.n("C5", 48), notation_pages.n("D5", 48)))
    packed = zipped(("META-INF/container.xml", CONTAINER), ("score/page.musicxml", pages[-1]))
    track = (
        b"\x00\xff\x51\x03\x07\xa1\x20\x00\x90\x3c\x40\x60\x80\x3c\x40\x00\x90\x3e\x40\x60\x80\x3e\x40\x00\xff\x2f\x00"
    )
    midi = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x00\x60MTrk" + len(track).to_bytes(4, "big") + track
    return [*pages, packed, midi]


def damaged(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """``data`` with one to five things wrong."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 5)):
        at = rng.randrange(len(out) + 1)
        if rng.random() < 0.5:
            at = min(at, rng.randrange(200))  # headers decide most
        end = min(len(out), at + rng.choice((1, 2, 4, 16, 200, 5000)))
        match rng.randrange(8):
            case 0:
                out[at:end] = rng.randbytes(end - at)
            case 1:
                out[at:end] = bytes([rng.choice((0, 0x7F, 0x80, 0xFF))]) * (end - at)
            case 2:
                del out[at:end]
            case 3:
                out[at:at] = out[at:end]
            case 4:
                del out[at:]
            case 5:
                out[at:end] = rng.choice(EXTREMES)
            case 6:
                other = rng.choice(others)
                start = rng.randrange(len(other))
                out[at:end] = other[start : start + 1000]
            case _:
                if at < len(out):
                    out[at] ^= 1 << rng.randrange(8)
    return bytes(out)


def wrong_inside(data: bytes, rng: random.Random) -> bytes:
    """A page that is still XML, with one to five of its values or elements changed: that gets further than damage."""
    for _ in range(rng.randint(1, 5)):
        values = list(re.finditer(rb">([^<>\s][^<>]*)<|=\"([^\"]*)\"", data))
        elements = list(
            re.finditer(rb"<(note|measure|attributes|direction|part|backup)\b[^>]*>.*?</\1>", data, re.DOTALL)
        )
        match rng.randrange(4):
            case 0 | 1 if values:
                found = rng.choice(values)
                group = 1 if found.group(1) is not None else 2
                wanted = rng.choice((*VALUES, rng.choice(values).group(1) or b"x"))
                data = data[: found.start(group)] + wanted + data[found.end(group) :]
            case 2 if elements:
                found = rng.choice(elements)
                data = data[: found.start()] + data[found.end() :]
            case _ if elements:
                found, at = rng.choice(elements), rng.choice(elements).start()
                data = data[:at] + found.group() * rng.choice((1, 1, 2, 50)) + data[at:]
    return data


def read_audio(folder: Path) -> Callable[[bytes], None]:
    """What intake does with a recording."""
    from app.files.decoder import look

    def read(data: bytes) -> None:
        source, playback = folder / "take", folder / "playback.wav"
        source.write_bytes(data)
        playback.unlink(missing_ok=True)
        look(source, playback)

    return read


def read_notation(_folder: Path) -> Callable[[bytes], None]:
    """What adding a piece does with a notation file."""
    from app.files import notation

    def read(data: bytes) -> None:
        for part in notation.list_parts(data)[:1] or [None]:
            notation.read_notation(data, part=0 if part is not None else None)

    return read


def main(kind: str, first: int, count: int, folder: Path) -> int:
    seeds = {"audio": audio_seeds, "notation": notation_seeds}[kind]()
    read = {"audio": read_audio, "notation": read_notation}[kind](folder)
    for seed in seeds:
        read(seed)  # whole, each is taken: also loads what reading needs before memory is bounded
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    found: Counter[str] = Counter()
    for number in range(first, first + count):
        (folder / "at").write_text(str(number))
        rng = random.Random(number)
        seed = seeds[number % len(seeds)]
        inside = seed.lstrip().startswith(b"<") and rng.random() < 0.7
        data = wrong_inside(seed, rng) if inside else damaged(seed, rng, seeds)
        signal.setitimer(signal.ITIMER_PROF, LONGEST_SEC)
        signal.alarm(PATIENCE_SEC)
        try:
            read(data)
        except FairhearingError as error:
            if not error.sentence.endswith((".", "”.")) or "\n" in error.sentence or len(error.sentence) > 400:
                raise AssertionError(f"{number}: {error.sentence!r}") from error
            found[error.code] += 1
        else:
            found["taken"] += 1
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)
    print(json.dumps(found))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])))
