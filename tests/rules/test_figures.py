"""Figures as text: what is shown agrees with what was decided."""

from hypothesis import given
from hypothesis import strategies as st

from rules.figures import told


@given(st.floats(0.0, 2.0), st.floats(0.01, 2.0))
def test_what_is_shown_agrees_with_the_verdict(takes_s: float, allowed_s: float) -> None:
    """The larger figure reads as the larger; what reads as equal says that nothing is left."""
    found = told(takes_s, allowed_s)
    shown = float(found.takes), float(found.allowed)
    if found.verdict == "in time":
        assert takes_s < allowed_s
        assert shown[0] <= shown[1]
    else:
        assert takes_s >= allowed_s
        assert shown[0] > shown[1] or (shown[0] == shown[1] and "nothing is left" in found.verdict)
