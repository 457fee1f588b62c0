"""The newest samples of a tank, as the chart gets them."""

from hypothesis import given
from hypothesis import strategies as st

from bridge.shell.page.recent import KEPT_SAMPLES, Recent, Sample

NUMBERS = st.none() | st.floats(-1e6, 1e6)
VALUES = st.tuples(NUMBERS, NUMBERS, NUMBERS, st.sampled_from(("none", "bubbles")))


@given(st.lists(VALUES, max_size=20), st.sampled_from((0, 1, KEPT_SAMPLES - 5, 2 * KEPT_SAMPLES)))
def test_newest_come_back_as_they_went_in(drawn: list[tuple[object, ...]], before: int) -> None:
    """However many went before: the newest are there, in their order, and never more than fit."""
    recent = Recent()
    older = [(1.0, 2.0, 3.0, "none")] * before
    expected = []
    for number, (salinity, uncertainty, probe, cause) in enumerate((*older, *drawn)):
        document = {"salinity": salinity, "uncertainty": uncertainty, "probe_salinity": probe}
        recent.add(float(number), {**document, "cause": cause, "seq": number})
        expected.append(Sample(float(number), salinity, uncertainty, probe, cause))  # type: ignore[arg-type]

    assert recent.between(0.0, 1e9) == expected[-KEPT_SAMPLES:]
    assert recent.between(before, before + 3.0) == expected[before : before + 3]
