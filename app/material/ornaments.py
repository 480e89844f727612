"""Which pitches an ornament may bring: the neighbours in the key, with the accidentals then in force.

Common practice: a trill brings the upper neighbour, a mordent the lower, an inverted mordent the upper, a turn both.
A printed accidental at the sign decides; else an accidental earlier in the bar on that staff step; else the key.
"""

from collections.abc import Mapping

from app.domain.piece import Ornament
from app.material.pitch_names import Pitch, at_diatonic, key_alter
from app.material.written import WrittenOrnament


def ornament_pitches(sign: WrittenOrnament, main: Pitch, fifths: int, in_force: Mapping[int, int]) -> tuple[Pitch, ...]:
    """The auxiliary written pitches, upper first.

    ``in_force`` maps a staff step (:attr:`Pitch.diatonic`) to the alteration that accidentals earlier in the bar gave
    it, in semitones.
    """

    def neighbour(steps: int, printed: int | None) -> Pitch:
        plain = at_diatonic(main.diatonic + steps, 0)
        alter = printed if printed is not None else in_force.get(plain.diatonic, key_alter(plain.step, fifths))
        return at_diatonic(plain.diatonic, alter)

    upper = neighbour(1, sign.accidental_above)
    lower = neighbour(-1, sign.accidental_below)
    if sign.kind in ("trill", "inverted-mordent"):
        return (upper,)
    if sign.kind == "mordent":
        return (lower,)
    if sign.kind in ("turn", "inverted-turn"):
        return (upper, lower)
    return () if sign.other is None else (sign.other,)


def sounding_ornament(
    sign: WrittenOrnament, main: Pitch, fifths: int, in_force: Mapping[int, int], transposition_semitones: int
) -> Ornament:
    """The ornament as the piece carries it, auxiliary pitches sounding."""
    pitches = ornament_pitches(sign, main, fifths, in_force)
    return Ornament(sign.kind, tuple(one.midi + transposition_semitones for one in pitches))
