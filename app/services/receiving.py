"""A recording that came in: looked at apart, refused when nothing can be judged by it, else kept with its playback."""

from dataclasses import dataclass

from app.domain.errors import BadAudio
from app.files.decoding import Looked, look_apart
from app.files.store import BlobStore, Incoming, Stored


@dataclass(frozen=True, slots=True)
class Received:
    """What was found in a recording, and where it and its playback are kept."""

    looked: Looked
    playback: Stored
    stored: Stored


def keep_looked_at(store: BlobStore, incoming: Incoming) -> Received:
    """Decode ``incoming`` apart and keep it as received; raises ``BadAudio`` for what can't be judged."""
    rendered = incoming.path.with_name(f"{incoming.path.name}.wav")
    try:
        looked = look_apart(incoming.path, rendered)
        if looked.quality.word == "refuse":
            raise BadAudio(looked.quality.sentences[0], quality=looked.quality.to_dict())
        with rendered.open("rb") as playback_source:
            playback = store.put(playback_source)
        return Received(looked, playback, store.keep(incoming))
    finally:
        rendered.unlink(missing_ok=True)
