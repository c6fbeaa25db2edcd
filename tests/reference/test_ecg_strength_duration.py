"""Strength-duration curve and pulse energy.

I = b(1 + c/d), b rheobase, c chronaxie, d duration: Geddes, IEEE Trans Biomed Eng 2004;51:176 (abstract read). Worked
example: rheobase 3.5 mA and chronaxie 0.22 ms, twice the rheobase (7 mA) at a width of one chronaxie (Prutchi and
Norris, Design and Development of Medical Electronic Instrumentation, figure 7.4, read in extract). No published table
of thresholds by pulse width was found; the table below is that example written out by the formula.
Energy E = V²·t/R (physics): 2.5 V, 0.5 ms, 600 ohm give 5.208 uJ.
"""

import pytest

from procedures.electrocardiogram import fit_strength_duration, pulse_energy_uj

# Width in ms, threshold in mA by 3.5·(1 + 0.22/width), to three places.
TABLE = ((0.1, 11.2), (0.22, 7.0), (0.5, 5.04), (1.0, 4.27), (2.0, 3.885))


def test_fit_gives_back_rheobase_and_chronaxie():
    curve = fit_strength_duration(*zip(*TABLE, strict=True))
    assert curve.rheobase_v == pytest.approx(3.5, abs=1e-6)
    assert curve.chronaxie_ms == pytest.approx(0.22, abs=1e-6)
    assert curve.residual_sd_v == pytest.approx(0, abs=1e-9)


def test_threshold_at_chronaxie_is_twice_the_rheobase():
    curve = fit_strength_duration(*zip(*TABLE, strict=True))
    assert curve.threshold_v(curve.chronaxie_ms) == pytest.approx(7.0)


def test_chronaxie_of_0_4_ms_multiplies_rheobase_by_1_8_and_1_4():
    """Derived from the formula: at 0.5 and 1.0 ms."""
    curve = fit_strength_duration([0.2, 0.4], [3.0, 2.0])
    assert curve.chronaxie_ms == pytest.approx(0.4)
    assert curve.threshold_v(0.5) == pytest.approx(1.8 * curve.rheobase_v)
    assert curve.threshold_v(1.0) == pytest.approx(1.4 * curve.rheobase_v)


def test_energy_of_a_usual_pulse():
    assert pulse_energy_uj(2.5, 0.5, 600) == pytest.approx(5.208, abs=5e-4)
