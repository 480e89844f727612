"""Files that wait a moment to be fetched: once, by whoever asked, not for ever, not too many."""

import pytest

from app.api.parcels import MOST, WAITS_SEC, Parcels
from app.domain.errors import NotFound


def test_a_parcel_is_for_whoever_asked_for_it_and_for_once():
    parcels = Parcels()
    parcel_id = parcels.put("ada", b"sheets")
    with pytest.raises(NotFound):
        parcels.take(parcel_id, "bela")
    assert parcels.take(parcel_id, "ada") == b"sheets"
    with pytest.raises(NotFound, match="make it again"):
        parcels.take(parcel_id, "ada")


def test_a_parcel_nobody_fetches_is_gone_after_a_while():
    now = [0.0]
    parcels = Parcels(clock=lambda: now[0])
    early, late = parcels.put("ada", b"1"), None
    now[0] = WAITS_SEC
    late = parcels.put("ada", b"2")
    now[0] = WAITS_SEC + 1
    with pytest.raises(NotFound):
        parcels.take(early, "ada")
    assert parcels.take(late, "ada") == b"2"


def test_the_oldest_makes_room():
    parcels = Parcels()
    ids = [parcels.put("ada", bytes([n])) for n in range(MOST + 1)]
    with pytest.raises(NotFound):
        parcels.take(ids[0], "ada")
    assert [parcels.take(one, "ada") for one in ids[1:]] == [bytes([n]) for n in range(1, MOST + 1)]
