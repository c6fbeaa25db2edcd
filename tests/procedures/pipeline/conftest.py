"""A plain beating ventricle to analyse: closed form, no generator of ours."""

import numpy as np
import pytest

from procedures.recordings import Channel, Signals


@pytest.fixture
def make_beats():
    def make(duration_s=30.0, rate_hz=1000.0, volume_rate_hz=None, segments=0, ecg=False, extra=()):
        def phase(rate):
            return (np.arange(round(duration_s * rate)) / rate) % 0.8

        def pulse(t, rise, fall):
            up = 0.5 - 0.5 * np.cos(np.pi * np.clip(t / rise, 0, 1))
            down = 0.5 + 0.5 * np.cos(np.pi * np.clip((t - rise) / fall, 0, 1))
            return up * down

        t, tv = phase(rate_hz), phase(volume_rate_hz or rate_hz)
        pressure = 8 + 2 * np.sin(2 * np.pi * t / 0.8) + 100 * pulse(t - 0.1, 0.15, 0.25)
        volume = 180 - 60 * pulse(tv - 0.18, 0.2, 0.35)
        channels = [Channel("P_LV", "mmHg", rate_hz, pressure)]
        if segments:
            channels += [
                Channel(f"V_{i + 1}", "mL", volume_rate_hz or rate_hz, volume / segments) for i in range(segments)
            ]
        else:
            channels.append(Channel("V_LV", "mL", volume_rate_hz or rate_hz, volume))
        if ecg:
            lead = np.exp(-(((t - 0.05) / 0.012) ** 2)) - 0.2 * np.exp(-(((t - 0.08) / 0.012) ** 2))
            channels.append(Channel("ECG_II", "mV", rate_hz, lead))
        return Signals((*channels, *extra), (), "CSV", duration_s)

    return make


@pytest.fixture
def save_csv(tmp_path):
    def save(signals, name="recording.csv", start_s=0.0, rename=None):
        labels = [
            f"{(rename or {}).get(channel.label, channel.label)} [{channel.unit}]" for channel in signals.channels
        ]
        size = len(signals.channels[0].samples)
        time = start_s + np.arange(size) / signals.channels[0].sample_rate_hz
        table = np.column_stack([time, *(channel.samples for channel in signals.channels)])
        np.savetxt(tmp_path / name, table, fmt="%.5f", delimiter=",", header=",".join(["time_s", *labels]), comments="")
        return tmp_path / name

    return save
