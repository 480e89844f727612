"""Which candidates are judged: absent, withdrawn and no-show are none of them zero, they are not there."""

#: States of candidates who are not judged and stand in no result.
NOT_HEARD = ("absent", "withdrawn", "no-show")
