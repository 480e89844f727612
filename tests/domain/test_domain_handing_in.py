"""The deadline on the clocks of a zone, through the hours that clocks skip and repeat."""

from datetime import UTC, datetime, timedelta

import pytest

from app.domain.errors import BadInput
from app.domain.handing_in import Deadline, moment_in_zone, moment_of


# Source: the IANA time zone database. Chicago leaves standard time (UTC-6) on 8 March 2026 at 02:00, returns on
# 1 November at 02:00; Berlin (UTC+1) on 29 March at 02:00 and 25 October at 03:00; Kathmandu is UTC+5:45 all year.
@pytest.mark.parametrize(
    ("wall", "zone", "utc", "text"),
    [
        ("2026-03-08T01:59", "America/Chicago", "2026-03-08T07:59", "8 March 2026, 01:59 (America/Chicago, UTC-6)"),
        ("2026-03-08T03:00", "America/Chicago", "2026-03-08T08:00", "8 March 2026, 03:00 (America/Chicago, UTC-5)"),
        ("2026-03-29T18:00", "Europe/Berlin", "2026-03-29T16:00", "29 March 2026, 18:00 (Europe/Berlin, UTC+2)"),
        ("2026-03-28T18:00", "Europe/Berlin", "2026-03-28T17:00", "28 March 2026, 18:00 (Europe/Berlin, UTC+1)"),
        ("2026-05-01T00:00", "Asia/Kathmandu", "2026-04-30T18:15", "1 May 2026, 00:00 (Asia/Kathmandu, UTC+5:45)"),
        ("2026-05-01T23:59", "UTC", "2026-05-01T23:59", "1 May 2026, 23:59 (UTC, UTC+0)"),
    ],
)
def test_a_time_of_day_means_one_moment(wall, zone, utc, text):
    moment = moment_of(datetime.fromisoformat(wall), zone)
    assert moment == datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert moment_in_zone(moment, zone) == text


@pytest.mark.parametrize(
    ("wall", "zone", "said"),
    [
        ("2026-03-08T02:30", "America/Chicago", "put forward over 02:30"),
        ("2026-03-29T02:00", "Europe/Berlin", "put forward over 02:00"),
        ("2026-11-01T01:30", "America/Chicago", "01:30 twice"),
        ("2026-10-25T02:00", "Europe/Berlin", "02:00 twice"),
        ("2026-05-01T12:00", "Mars/Olympus", "no time zone called 'Mars/Olympus'"),
        ("2026-05-01T12:00", "", "no time zone called"),
        ("2026-05-01T12:00", "../../etc/passwd", "no time zone called"),
        ("2026-05-01T12:00+02:00", "Europe/Berlin", "without a zone of its own"),
    ],
)
def test_a_time_that_is_none_is_refused(wall, zone, said):
    with pytest.raises(BadInput, match=said):
        moment_of(datetime.fromisoformat(wall), zone)


def test_the_closing_moment_itself_is_too_late():
    until = Deadline(datetime(2026, 3, 29, 16, tzinfo=UTC), "Europe/Berlin", 10)
    closes = datetime(2026, 3, 29, 16, 10, tzinfo=UTC)
    assert until.closes_at == closes
    until.require_open(closes - timedelta(microseconds=1))
    for late in (closes, closes + timedelta(days=1)):
        with pytest.raises(BadInput, match="time to hand in is over"):
            until.require_open(late)
    assert Deadline(closes, "UTC", 0).is_open(closes - timedelta(seconds=1))
