"""Until when takes are handed in: a moment that everybody on earth agrees on, and how people read it on their clocks.

The leader says a date and a time of day in the audition's zone (a name of the IANA time zone database); what counts is
the moment this means, and the server's clock. An hour that the zone's clocks skip or show twice is refused.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from app.domain.errors import BadInput

MOST_GRACE_MIN = 1440  # our choice: longer is a later deadline
TOO_LATE = "The time to hand in is over, so nothing more can be taken; ask your section leader for more time."


@dataclass(frozen=True, slots=True)
class Deadline:
    """Until when one candidate hands in."""

    due_at: datetime  # aware
    zone: str  # of the audition
    grace_min: int

    @property
    def closes_at(self) -> datetime:
        """The moment from which nothing more is taken: what was on its way at the deadline may still arrive."""
        return self.due_at + timedelta(minutes=self.grace_min)

    def is_open(self, now: datetime) -> bool:
        """Whether something handed in at ``now`` (server time, aware) is in time. The closing moment itself is not."""
        return now < self.closes_at

    def require_open(self, now: datetime) -> None:
        """Raise ``BadInput`` with one sentence when it is too late."""
        if not self.is_open(now):
            raise BadInput(TOO_LATE, closed_at=self.closes_at.isoformat())

    @property
    def text(self) -> str:
        """The deadline on the zone's clocks: "29 March 2026, 18:00 (Europe/Berlin, UTC+2)"."""
        return moment_in_zone(self.due_at, self.zone)


def moment_in_zone(moment: datetime, zone: str) -> str:
    """A moment on a zone's clocks, with the zone's name and its distance from UTC on that day."""
    local = moment.astimezone(known_zone(zone))
    offset = local.utcoffset() or timedelta()
    sign, minutes = ("-" if offset < timedelta() else "+"), abs(int(offset.total_seconds())) // 60
    east = f"{minutes // 60}" + (f":{minutes % 60:02d}" if minutes % 60 else "")
    return f"{local.day} {local:%B %Y, %H:%M} ({zone}, UTC{sign}{east})"


def known_zone(zone: str) -> ZoneInfo:
    """The zone of this name; raises ``BadInput``."""
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput(f"There is no time zone called '{zone[:60]}'; use a name such as America/Chicago.") from error


def moment_of(wall: datetime, zone: str) -> datetime:
    """The moment, in UTC, at which the zone's clocks show ``wall`` (naive).

    Raises ``BadInput`` when they never do, or do twice, because clocks are put forward or back then.
    """
    if wall.tzinfo is not None:
        raise BadInput("The deadline is a date and a time of day in the audition's zone, without a zone of its own.")
    there = known_zone(zone)
    first, second = (wall.replace(tzinfo=there, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first.astimezone(there).replace(tzinfo=None) != wall:
        raise BadInput(f"Clocks in {zone} are put forward over {wall:%H:%M} that day; choose a time that exists.")
    if first != second:
        raise BadInput(f"Clocks in {zone} show {wall:%H:%M} twice that day; choose a time outside that hour.")
    return first
