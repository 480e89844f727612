"""A student's own page, and the leader's side of private links."""

from datetime import datetime

from app.api.schemas.envelope import Out


class LinkStateOut(Out):
    """Whether a candidate's private link works."""

    candidate_id: str
    state: str
    expires_at: datetime | None


class StudentLinkOut(Out):
    """A fresh private link, shown once."""

    candidate_id: str
    url: str
    qr_svg: str
    expires_at: datetime


class OwnTakeOut(Out):
    """A take to be heard."""

    take_id: str
    duration_sec: float


class OwnPartOut(Out):
    """One piece: what the sheet says of it, and the take."""

    piece_id: str
    title: str
    heading: str
    findings: list[str]
    caption: str
    why_no_findings: str | None
    has_music: bool
    take: OwnTakeOut | None


class OwnCaptionOut(Out):
    """One caption's marks; None is a missing one."""

    name: str
    marks: list[float | None]
    measured: float | None
    merged: float | None
    earned: str


class OwnBlockOut(Out):
    """Marks for one piece, or for all together."""

    title: str
    rows: list[OwnCaptionOut]


class OwnOverallOut(Out):
    """One caption over all pieces."""

    name: str
    merged: float | None
    earned: str


class OwnRemarkOut(Out):
    """What an adjudicator wrote."""

    letter: str
    text: str
    piece_title: str
    bar: str | None


class OwnExerciseOut(Out):
    """One thing to practise."""

    kind: str
    title: str
    where: str
    text: str
    piece_title: str


class OwnRoundOut(Out):
    """One opened round's sheet."""

    candidate_id: str
    round_name: str
    held_on: str
    blind_number: str
    letters: list[str]
    blocks: list[OwnBlockOut]
    overall: list[OwnOverallOut]
    merged_total: float | None
    scale_low: int
    scale_high: int
    notes: list[str]
    remarks: list[OwnRemarkOut]
    practice: list[OwnExerciseOut]
    why_no_practice: str | None
    progress: list[str]
    parts: list[OwnPartOut]


class StudentPageOut(Out):
    """Everything of the page but the music."""

    student: str
    instrument: str
    audition: str
    organisation: str
    a4_hz: float
    transposition_semitones: int
    expires_at: datetime | None
    rounds: list[OwnRoundOut]
    cautions: list[str]


class PlacedNoteOut(Out):
    """Where a note head stands in the picture."""

    engraved_id: str
    system: int
    left: float
    right: float
    y: float


class MarkedPictureOut(Out):
    """The marked part as one picture."""

    svg: str
    width: float
    height: float
    systems: list[tuple[float, float]]
    notes: list[PlacedNoteOut]


class NoteFiguresOut(Out):
    """One note's figures in words."""

    engraved_id: str
    name: str
    bar: str
    beat: str
    sentences: list[str]


class SoundingNoteOut(Out):
    """When a note sounds in the take."""

    engraved_id: str
    onset_sec: float
    offset_sec: float


class ToneToHoldOut(Out):
    """A pitch of the piece."""

    name: str
    place: str
    sounding_midi: int
    lies_cents: float | None


class ToneToFindOut(Out):
    """A pitch that came back differently."""

    name: str
    where: str
    sounding_midi: int
    cents: float


class PracticeSettingsOut(Out):
    """What the practice is set to for this piece."""

    pitched: bool
    tonic_name: str
    tonic_sounding: str
    tonic_semitone: int
    tonic_guessed: bool
    beats: int
    parts: int
    beat_name: str
    part_name: str
    mark_bpm: float
    tempo_assumed: bool
    ladder: list[float]
    clean_bar: str | None
    tones: list[ToneToHoldOut]
    returns: list[ToneToFindOut]


class MarkedPartOut(Out):
    """The marked part of one piece."""

    wide: MarkedPictureOut | None
    narrow: MarkedPictureOut | None
    figures: list[NoteFiguresOut]
    sounds: list[SoundingNoteOut]
    practice: PracticeSettingsOut
