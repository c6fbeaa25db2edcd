"""What stands out in a device check. Words for the team to weigh, no judgement of the device."""

from __future__ import annotations

from collections.abc import Mapping

# Koplan et al., J Am Coll Cardiol 2009;53:355: fewer events above 92 %; Hayes et al., Heart Rhythm 2011;8:1469: best
# survival above 98.5 %. Both from memory.
LOW_PACING_PERCENT, GOOD_PACING_PERCENT = 92.0, 98.0
# A rise to twice the threshold, or an impedance changed by a third: common practice, no source.
THRESHOLD_RATIO, IMPEDANCE_SHARE = 2.0, 0.33
_LEADS = (("ra", "right atrium"), ("rv", "right ventricle"), ("lv", "left ventricle"))


def pacing_remark(percent: float | None) -> str | None:
    """Say how the share of biventricular pacing compares with the published cut-offs.

    Parameters
    ----------
    percent
        Share of biventricular pacing, %; None where not known.

    Returns
    -------
    str or None
        A sentence; None where the share is not known, NaN or high enough.

    References
    ----------
    Koplan et al., J Am Coll Cardiol 2009;53:355; Hayes et al., Heart Rhythm 2011;8:1469 (both from memory).
    """
    if percent is None:
        return None
    if percent <= LOW_PACING_PERCENT:
        return (
            f"Biventricular pacing {percent:g} %: at or below {LOW_PACING_PERCENT:g} %, associated with a worse "
            "outcome."
        )
    if percent < GOOD_PACING_PERCENT:
        return f"Biventricular pacing {percent:g} %: below the usual aim of {GOOD_PACING_PERCENT:g} %."
    return None


def lead_remarks(before: Mapping[str, float | None], now: Mapping[str, float | None]) -> list[str]:
    """Return the changes of thresholds and impedances since the check before that stand out.

    Thresholds are compared only when both were measured at the same pulse width, and it is known.

    Parameters
    ----------
    before, now
        Values of the two checks by field name: thresholds in V, impedances in Ω, pulse width in ms; None where not
        measured. NaN never stands out.

    Returns
    -------
    list of str
        One sentence for each change; empty where nothing stands out.

    Notes
    -----
    The limits are common practice, no source.
    """
    found = []
    for lead, words in _LEADS:
        old, new = before.get(f"{lead}_threshold_v"), now.get(f"{lead}_threshold_v")
        width = now.get("pulse_width_ms")
        same_width = width is not None and before.get("pulse_width_ms") == width
        if old and new and same_width and new >= THRESHOLD_RATIO * old:
            found.append(f"Threshold of the {words}: {old:g} to {new:g} V.")
        old, new = before.get(f"{lead}_impedance_ohm"), now.get(f"{lead}_impedance_ohm")
        if old and new and abs(new - old) > IMPEDANCE_SHARE * old:
            found.append(f"Impedance of the {words}: {old:g} to {new:g} Ohm.")
    return found
