"""Streaming windows against the same thing worked out from all samples."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.signals.windows import PARTS, Window, pushed

VALUES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=150)


def run(values: list[float], over_s: float, every_s: float) -> Window:
    window: Window | None = None
    for number, value in enumerate(values):
        window = pushed(window, over_s, number * every_s, value)
    assert window is not None
    return window


@given(VALUES, st.integers(3, 40))
def test_exact_when_every_sample_has_its_part(values: list[float], count: int) -> None:
    window = run(values, count * 60.0, 60.0)
    inside = values[-count:]
    assert window.spread == max(inside) - min(inside)
    assert window.mean == pytest.approx(statistics.fmean(inside), abs=1e-6)
    assert window.deviation == pytest.approx(statistics.pstdev(inside), rel=1e-6, abs=1e-3)
    # each sample stands for the time to the next: `count` of them fill the window
    assert window.filled(count * 60.0) is (len(values) >= count)


@given(st.lists(st.floats(-100, 100), min_size=200, max_size=400))
def test_sampled_faster_the_old_end_is_rounded_to_a_part(values: list[float]) -> None:
    over_s, every_s = 300.0, 2.0  # 150 samples, in 60 parts of three
    window = run(values, over_s, every_s)
    assert len(window.parts) <= PARTS + 1
    held = sum(part.count for part in window.parts)
    assert 0 <= 150 - held <= 3
    inside = values[-held:]
    assert window.spread == max(inside) - min(inside)
    assert window.deviation == pytest.approx(statistics.pstdev(inside), rel=1e-9, abs=1e-7)


def test_a_window_does_not_grow_with_the_number_of_samples() -> None:
    window = run([float(number % 7) for number in range(20_000)], 3600.0, 1.0)
    assert len(window.parts) <= PARTS + 1


def test_a_long_silence_starts_it_anew() -> None:
    window = run([1.0, 2.0, 3.0, 4.0, 5.0], 600.0, 60.0)
    assert len(pushed(window, 600.0, 240.0 + 180.0, 9.0).parts) == 6  # three intervals are no silence yet
    assert pushed(window, 600.0, 240.0 + 181.0, 9.0) == Window(pushed(None, 600.0, 421.0, 9.0).parts, 421.0, 421.0)


def test_the_same_sample_again_counts_once() -> None:
    window = run([1.0, 2.0], 600.0, 60.0)
    assert pushed(window, 600.0, 60.0, 2.0) is window
    assert pushed(window, 600.0, 30.0, 2.0) is window
