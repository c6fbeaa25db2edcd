"""Against an independent closed-loop circulation solver (svzerod 3.2, C++, BSD-3): its own arrays are the truth.

Elastance ventricle and atrium, piecewise valves, arterial and venous compliance; settings are ours. Everything is
compared on the grid that the solver gave.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from procedures.haemodynamics import Analysis, PressureVolumeSignals, Settings, analyse

svzerod = pytest.importorskip("svzerod")
DYN_PER_MMHG = 1333.22
CYCLES = 24


@cache
def solve(period_s: float, emax: float, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Ventricular pressure (mmHg) and volume (mL) of 24 cycles on the way to steady state."""
    k = DYN_PER_MMHG

    def chamber(name: str, e: float, passive: float, rest: float, timing: tuple[float, ...]) -> dict[str, Any]:
        keys = ("contract_start", "relax_start", "contract_duration", "relax_duration")
        activation = {"type": "piecewise_cosine", **{key: t * period_s for key, t in zip(keys, timing, strict=True)}}
        return {
            "type": "LinearElastanceChamber",
            "name": name,
            "values": {"Emax": e * k, "Epass": passive * k, "Vrest": rest},
            "activation_function": activation,
        }

    def valve(name: str, upstream: str, downstream: str) -> dict[str, Any]:
        parameters = {"Rmax": 1e7, "Rmin": 10.0, "upstream_block": upstream, "downstream_block": downstream}
        return {"type": "PiecewiseValve", "name": name, "params": parameters}

    def vessel(number: int, name: str, r: float, c: float, inertia: float) -> dict[str, Any]:
        values = {"R_poiseuille": r * k, "C": c / k, "L": inertia * k, "stenosis_coefficient": 0.0}
        kind = "BloodVessel"
        return {"vessel_id": number, "vessel_name": name, "zero_d_element_type": kind, "zero_d_element_values": values}

    initial = {"Vc:LV": 120.0, "Vc:LA": 70.0, "flow:AR:J0": 71.0, "flow:J0:VE": 71.0}
    initial |= {f"pressure:{name}": 80 * k for name in ("AV:AR", "AR:J0", "J0:VE")}
    initial |= {"pressure:VE:J1": 9 * k, "pressure:J1:LA": 9 * k, "pressure:LA:MV": 9 * k}
    initial |= {"pressure:MV:LV": 8 * k, "pressure:LV:AV": 8 * k}
    normal = {"junction_type": "NORMAL_JUNCTION"}
    junctions = [
        {"junction_name": "J0", **normal, "inlet_vessels": [0], "outlet_vessels": [1]},
        {"junction_name": "J1", **normal, "inlet_blocks": ["VE"], "outlet_blocks": ["LA"]},
    ]
    points = round(period_s * rate_hz) + 1
    frame = svzerod.simulate(
        {
            "simulation_parameters": {
                "number_of_cardiac_cycles": CYCLES,
                "number_of_time_pts_per_cardiac_cycle": points,
                "cardiac_period": period_s,
                "output_variable_based": True,
                "output_all_cycles": True,
                "absolute_tolerance": 1e-6,
                "maximum_nonlinear_iterations": 100,
                "steady_initial": False,
            },
            "boundary_conditions": [],
            "closed_loop_blocks": [],
            "chambers": [
                chamber("LV", emax, 0.08, 10, (0.17, 0.45, 0.28, 0.15)),
                chamber("LA", 0.15, 0.13, 4, (0, 0.10, 0.10, 0.08)),
            ],
            "valves": [valve("MV", "LA", "LV"), valve("AV", "LV", "AR")],
            "vessels": [vessel(0, "AR", 0.05, 1.5, 0.0005), vessel(1, "VE", 1.0, 30.0, 0.0)],
            "junctions": junctions,
            "initial_condition": initial,
        }
    )
    pressure = frame.y[frame.name == "pressure:LV:AV"].to_numpy() / k
    volume = frame.y[frame.name == "Vc:LV"].to_numpy()
    return pressure, volume


def steady(period_s: float, emax: float, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """One steady cycle repeated thirty times: a recording of many beats."""
    pressure, volume = solve(period_s, emax, rate_hz)
    n = round(period_s * rate_hz)
    return np.tile(pressure[-n - 1 : -1], 30), np.tile(volume[-n - 1 : -1], 30)


def truth(pressure: np.ndarray, volume: np.ndarray, period_s: float, rate_hz: int) -> dict[str, float]:
    """Metrics of one cycle read straight off the solver's arrays."""
    n = round(period_s * rate_hz)
    p, v = pressure[: n + 2], volume[: n + 2]
    slope = np.gradient(p, 1 / rate_hz)[1:-1]
    work = 0.5 * abs(float(np.sum(v[:n] * p[1 : n + 1] - v[1 : n + 1] * p[:n])))
    return {
        "heart_rate_per_min": 60 / period_s,
        "p_max_mmhg": float(p.max()),
        "dpdt_max_mmhg_per_s": float(slope.max()),
        "dpdt_min_mmhg_per_s": float(slope.min()),
        "edv_ml": float(v.max()),
        "esv_ml": float(v.min()),
        "sv_ml": float(np.ptp(v)),
        "ef_percent": 100 * float(np.ptp(v) / v.max()),
        "stroke_work_mmhg_ml": work,
        "ea_mmhg_per_ml": float(p[np.argmax(p / v)] / np.ptp(v)),
        "cycle_efficiency": work / float(np.ptp(p) * np.ptp(v)),
    }


def means(result: Analysis) -> dict[str, float]:
    return {key: item.mean for key, item in result.epochs[0].metrics.items()}


CASES = [(1.0, 2.75), (0.7, 2.75), (0.5, 2.75), (1.4, 2.75), (0.8, 1.2)]


@pytest.mark.parametrize("rate_hz", [1000, 250])
@pytest.mark.parametrize(("period_s", "emax"), CASES)
def test_clean_recording_within_one_percent(period_s: float, emax: float, rate_hz: int) -> None:
    pressure, volume = steady(period_s, emax, rate_hz)
    result = analyse(PressureVolumeSignals(rate_hz, pressure, volume_ml=volume))
    assert result.epochs[0].beats_used >= 27
    found = means(result)
    for key, expected in truth(pressure, volume, period_s, rate_hz).items():
        assert found[key] == pytest.approx(expected, rel=0.01), key


@pytest.mark.parametrize(("period_s", "emax"), [(1.0, 2.75), (0.8, 1.2)])
def test_usual_heart_rate_within_half_a_percent(period_s: float, emax: float) -> None:
    pressure, volume = steady(period_s, emax, 1000)
    found = means(analyse(PressureVolumeSignals(1000, pressure, volume_ml=volume)))
    expected = truth(pressure, volume, period_s, 1000)
    for key in ("edv_ml", "esv_ml", "sv_ml", "ef_percent", "stroke_work_mmhg_ml"):
        assert found[key] == pytest.approx(expected[key], rel=0.005), key


@pytest.mark.parametrize("rate_hz", [1000, 250])
@pytest.mark.parametrize("per_min", [100, 120, 140, 160])
def test_beat_squeezed_in_time_keeps_its_volumes(per_min: int, rate_hz: int) -> None:
    # The solver's beat at 60 a minute played faster: volumes and work do not depend on the clock.
    pressure, volume = steady(1.0, 2.75, 1000)
    phase = (np.arange(30 * rate_hz) / rate_hz * per_min / 60) % 1.0
    grid = np.arange(1001) / 1000
    signals = PressureVolumeSignals(
        rate_hz, np.interp(phase, grid, pressure[:1001]), volume_ml=np.interp(phase, grid, volume[:1001])
    )
    found = means(analyse(signals))
    expected = truth(pressure, volume, 1.0, 1000)
    for key in ("edv_ml", "esv_ml", "sv_ml", "ef_percent", "stroke_work_mmhg_ml"):
        assert found[key] == pytest.approx(expected[key], rel=0.005), key


@pytest.mark.parametrize(("rate_hz", "bound"), [(1000, 0.01), (250, 0.02)])
def test_dpdt_max_against_ten_times_finer_sampling(rate_hz: int, bound: float) -> None:
    pressure, volume = steady(1.0, 2.75, 10000)
    step = 10000 // rate_hz
    found = means(analyse(PressureVolumeSignals(rate_hz, pressure[::step], volume_ml=volume[::step])))
    assert found["dpdt_max_mmhg_per_s"] == pytest.approx(np.gradient(pressure[:10010], 1e-4).max(), rel=bound)


def test_noise_hum_and_segments_within_two_percent() -> None:
    pressure, volume = steady(1.0, 2.75, 1000)
    rng = np.random.default_rng(8)
    hum = 0.5 * np.sin(2 * np.pi * 50.03 * np.arange(pressure.size) / 1000)
    segments = np.outer([0.12, 0.2, 0.25, 0.24, 0.19], volume) + rng.standard_normal((5, volume.size)) + hum / 5
    noisy = pressure + rng.standard_normal(pressure.size) + hum
    found = means(analyse(PressureVolumeSignals(1000, noisy, segments_ml=segments)))
    for key, expected in truth(pressure, volume, 1.0, 1000).items():
        if key == "ea_mmhg_per_ml":
            continue  # its truth reads one sample of a flat top
        assert found[key] == pytest.approx(expected, rel=0.02), key
    for key in ("dyssynchrony_percent", "internal_flow_percent"):
        assert found[key] == pytest.approx(0, abs=2), key


def test_every_beat_of_the_approach_to_steady_state_is_right() -> None:
    pressure, volume = solve(1.0, 2.75, 1000)
    result = analyse(PressureVolumeSignals(1000, pressure, volume_ml=volume), settings=Settings(whole_breaths=False))
    beats = result.beats
    for row in range(2, len(beats)):
        centre = round(beats.time_s[row] * 1000)
        after = slice(centre, round(beats.end_s[row] * 1000))
        assert beats.metrics["esv_ml"][row] == pytest.approx(volume[after].min(), rel=0.01)
        edv = volume[centre - 150 : centre + 100].max()
        assert beats.metrics["edv_ml"][row] == pytest.approx(edv, rel=0.005)
