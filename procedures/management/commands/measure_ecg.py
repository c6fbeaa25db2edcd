"""``manage.py measure_ecg``: a recording with an electrocardiogram in, the measured average beat out."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import CommandError, CommandParser

from procedures.electrocardiogram import ElectrocardiogramError, measure
from procedures.pipeline.ecg_leads import read_leads
from procedures.pipeline.ecg_values import as_dict
from procedures.recordings import RecordingError, open_recording, parse_mapping
from registry.caution import CAUTION
from registry.management.sentence import SentenceCommand


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
    words = {True: "met", False: "not met", None: "not assessable"}
    for key in ("strict_lbbb", "esc_2013_lbbb", "aha_2009_lbbb"):
        lines += ["", f"{result[key]['source']}: {words[result[key]['met']]}"]
        for clause in result[key]["clauses"]:
            values = ", ".join(f"{lead} {value}" for lead, value in clause["values"].items())
            lines.append(f"  {words[clause['met']]:<14} {clause['text']} ({values})")
    if result["notes"]:
        lines += ["", "Notes", *(f"  {note}" for note in result["notes"])]
    return [
        *lines,
        "",
        CAUTION,
    ]
