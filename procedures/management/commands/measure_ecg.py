"""``manage.py measure_ecg``: a recording with an electrocardiogram in, the measured average beat out."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
from django.core.management.base import CommandError, CommandParser

from procedures.electrocardiogram import (
    Criteria,
    Electrocardiogram,
    ElectrocardiogramError,
    LeadQrs,
    Measurement,
    aha_2009_lbbb,
    capture_by_ratio,
    capture_with_q,
    electrocardiogram,
    esc_2013_lbbb,
    measure,
    morphology,
    strict_lbbb,
)
from procedures.recordings import (
    Recording,
    RecordingError,
    assign_roles,
    check_epochs,
    epochs_from_annotations,
    open_recording,
    parse_mapping,
)
from procedures.recordings.epochs import EpochMark
from registry.management.sentence import SentenceCommand

# Hundreds of beats add nothing to an average beat; what follows is not read unless an epoch asks for it.
_LONGEST_S = 600.0


class Command(SentenceCommand):
    """Measure one file; nothing is stored and no database is needed."""

    help = "Average the beats of a 12-lead electrocardiogram and print QRS limits, morphology and criteria."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the file, the patient's sex, the mapping of channels, the epoch and the form of the output."""
        parser.add_argument(
            "file", metavar="FILE", help="EDF or EDF+, CSV, zipped WFDB record, DICOM waveform, HL7 aECG"
        )
        parser.add_argument("--sex", choices=("female", "male"), help="decides the duration in the strict criteria")
        parser.add_argument(
            "--map",
            action="append",
            default=[],
            metavar="ROLE=LABEL",
            help="the channel that has a role, such as ECG_I=Lead1; may be given many times",
        )
        parser.add_argument(
            "--epoch", metavar="LABEL|START:END", help="an epoch marked in the recording, or a stretch of it in s"
        )
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, measure, print."""
        try:
            recording = open_recording(options["file"])
            ecg, notes = read_leads(recording, parse_mapping(options["map"]), options["epoch"])
            result = as_dict(measure(ecg), options["sex"], notes)
        except (RecordingError, ElectrocardiogramError, OSError) as error:
            sentence = "".join(c if c.isprintable() else "?" for c in str(error))
            raise CommandError(sentence, returncode=2) from error
        if options["json"]:
            self.stdout.write(json.dumps(result, allow_nan=False))
        else:
            self.stdout.write("\n".join(in_words(result)))


def read_leads(
    recording: Recording, mapping: dict[str, str], epoch: str | None
) -> tuple[Electrocardiogram, tuple[str, ...]]:
    """The leads of a recording, or of one of its epochs (whose stretches are kept apart), and remarks on them.

    Raises
    ------
    RecordingError, ElectrocardiogramError
        Where there are no leads with a name, their sampling rates differ, or there is no such epoch.
    """
    assignment = assign_roles(recording.channels, mapping)
    roles = {role: i for i, role in enumerate(assignment.roles) if role and role.startswith("ECG_")}
    if not roles:
        raise RecordingError(
            "The recording holds no channel that is known as one of the twelve leads; name them with --map."
        )
    # a lead that was named by hand and cannot be used must not be replaced by one computed from others
    for role, label in mapping.items():
        if role.startswith("ECG_") and role not in roles:
            raise RecordingError(f"The channel '{label}' mapped to {role} is not in mV and cannot be used as a lead.")
    rates = {recording.channels[i].sample_rate_hz for i in roles.values()}
    if len(rates) > 1:
        raise RecordingError("The leads are sampled at different rates, which are not measured together.")
    notes = list(recording.notes) + [sentence for labels, sentence in assignment.remarks if labels]
    end_s = recording.start_s + recording.duration_s
    if epoch:
        marks = _stretches(recording, epoch, end_s)
    else:
        marks = [EpochMark("", recording.start_s, min(end_s, recording.start_s + _LONGEST_S))]
        if end_s > marks[0].end_s:
            notes.append(f"Only the first {_LONGEST_S:g} s were measured; name an epoch for another part.")
    labels = [recording.channels[i].label for i in roles.values()]
    parts = [{c.label: c.samples for c in recording.read(m.start_s, m.end_s, labels)} for m in marks]
    pause = np.full(round(next(iter(rates)) * 1.5), np.nan)
    leads = {
        role[4:]: np.concatenate(
            [x for n, part in enumerate(parts) for x in ([pause] if n else []) + [part[recording.channels[i].label]]]
        )
        * assignment.factors[i]
        for role, i in roles.items()
    }
    return electrocardiogram(leads, next(iter(rates))), tuple(notes)


def _stretches(recording: Recording, epoch: str, end_s: float) -> list[EpochMark]:
    marks = epochs_from_annotations(recording.annotations, end_s)
    if named := [mark for mark in marks if mark.label == epoch]:
        return list(check_epochs(named, recording.start_s, end_s))
    start, colon, end = epoch.partition(":")
    try:
        limits = (float(start), float(end)) if colon else None
    except ValueError:
        limits = None
    if limits is None or not all(map(math.isfinite, limits)):
        known = ", ".join(sorted({mark.label for mark in marks})) or "none"
        raise RecordingError(
            f"There is no epoch '{epoch}' in the recording (its epochs: {known}); a stretch is START:END in s."
        )
    return list(check_epochs([EpochMark(epoch, *limits)], recording.start_s, end_s))


def as_dict(measured: Measurement, sex: str | None, notes: tuple[str, ...] = ()) -> dict[str, Any]:
    """The measurement as plain values; times in ms from the start of the average beat."""
    leads = measured.leads
    strict = strict_lbbb(measured.qrs_duration_ms, leads, sex)  # type: ignore[arg-type]  # argparse's choice
    result: dict[str, Any] = {
        "qrs_onset_ms": measured.onset_ms,
        "qrs_offset_ms": measured.offset_ms,
        "qrs_duration_ms": measured.qrs_duration_ms,
        "qrs_duration_sd_ms": measured.qrs_duration_sd_ms,
        "rr_ms": measured.rr_ms,
        "axis_degrees": measured.axis_degrees,
        "lead_i_initial_negative": leads["I"].initial_negative if "I" in leads else None,
        "v1_polarity": leads["V1"].polarity if "V1" in leads else None,
        "strict_lbbb": _criteria(strict),
        "esc_2013_lbbb": _criteria(esc_2013_lbbb(measured.qrs_duration_ms, leads)),
        "aha_2009_lbbb": _criteria(aha_2009_lbbb(measured.qrs_duration_ms, leads)),
        "paced": measured.paced,
        "latency_ms": measured.latency_ms,
        "stimuli": [{"from_onset_ms": s.from_onset_ms, "share": s.share} for s in measured.stimuli],
        "morphology": morphology(leads),
        "capture": None,
        "beats": {"averaged": int(measured.beat.beats.size), "others": measured.beat.others},
        "leads": {name: _lead(lead) for name, lead in leads.items()},
        "notes": [*notes, *measured.notes],
    }
    if measured.paced:
        pair = (capture_by_ratio, capture_with_q)
        verdicts = [judge(leads.get("V1"), leads.get("I")) for judge in pair]
        result["capture"] = [{"verdict": v.verdict, "source": v.source, "remark": v.remark} for v in verdicts]
    return _rounded(result)


def _criteria(criteria: Criteria) -> dict[str, Any]:
    clauses = [{"key": c.key, "text": c.text, "met": c.met, "values": dict(c.values)} for c in criteria.clauses]
    return {"met": criteria.met, "source": criteria.source, "clauses": clauses}


def _lead(lead: LeadQrs) -> dict[str, Any]:
    return {
        "pattern": lead.pattern or None,
        "q_mv": lead.q_mv,
        "r_mv": lead.r_mv,
        "s_mv": lead.s_mv,
        "r_peak_ms": lead.r_peak_ms,
        "intrinsicoid_ms": lead.intrinsicoid_ms,
        "notched": lead.notched,
        "slurred": lead.slurred,
        "notch_ms": lead.notch_ms,
        "area_mv_ms": lead.area_mv_ms,
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return [_rounded(item) for item in value] if isinstance(value, list | tuple) else value


def in_words(result: dict[str, Any]) -> list[str]:
    """The result as lines of a table."""
    rr, axis = result["rr_ms"], result["axis_degrees"]
    lines = [
        f"QRS {result['qrs_duration_ms']:.0f} ± {result['qrs_duration_sd_ms']:.0f} ms "
        f"({result['qrs_onset_ms']:.0f} to {result['qrs_offset_ms']:.0f} ms of the average beat)",
        f"RR {'–' if rr is None else f'{rr:.0f} ms'}, axis {'–' if axis is None else f'{axis:.0f}°'}, "
        f"{'paced' if result['paced'] else 'not paced'}, {result['beats']['averaged']} beats averaged",
        "",
    ]
    for name, lead in result["leads"].items():
        mark = "notched" if lead["notched"] else "slurred" if lead["slurred"] else ""
        pattern = lead["pattern"] or "–"
        lines.append(f"  {name:<4} {pattern:<8} R {lead['r_mv']:5.2f}  S {lead['s_mv']:5.2f} mV  {mark}".rstrip())
    words = {True: "met", False: "not met", None: "open"}
    for key in ("strict_lbbb", "esc_2013_lbbb", "aha_2009_lbbb"):
        lines += ["", f"{result[key]['source']}: {words[result[key]['met']]}"]
        for clause in result[key]["clauses"]:
            values = ", ".join(f"{lead} {value}" for lead, value in clause["values"].items())
            lines.append(f"  {words[clause['met']]:<8} {clause['text']} ({values})")
    if result["notes"]:
        lines += ["", "Notes", *(f"  {note}" for note in result["notes"])]
    return [
        *lines,
        "",
        "This supports and does not replace the judgement of the licensed team; no certified medical device. "
        "Local protocol and device labelling come first.",
    ]
