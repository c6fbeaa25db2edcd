"""``manage.py analyse_recording``: a recording in, the metrics of its epochs out."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from django.core.management.base import CommandError, CommandParser

from procedures.metrics import BY_KEY
from procedures.rhythms import RHYTHMS
from registry.caution import CAUTION
from registry.management.sentence import SentenceCommand
from registry.numbers.outside import NotANumber, decimal_number, shown

if TYPE_CHECKING:
    from procedures.haemodynamics.conditioning.calibration import Calibration


class Command(SentenceCommand):
    """Analyse one file; nothing is stored and no database is needed."""

    help = "Measure every beat of a recording and print the metrics of its epochs."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the file, the mapping of channels, the epochs and the form of the output."""
        parser.add_argument("file", metavar="FILE", help="EDF or EDF+, CSV, zipped WFDB record, DICOM waveform")
        parser.add_argument(
            "--map",
            action="append",
            default=[],
            metavar="ROLE=LABEL",
            help="the channel that has a role, such as P_LV=Pressure; may be given many times",
        )
        parser.add_argument("--epochs", metavar="FILE.csv", help="table label,start_s,end_s (times in s)")
        group = parser.add_argument_group("calibration", "of the volumes, for the whole recording")
        group.add_argument("--alpha", type=_above_zero, help="slope factor")
        group.add_argument("--parallel-volume-ml", type=_not_negative, help="subtracted before alpha divides")
        group.add_argument("--spacing-mm", type=_above_zero, help="distance between electrodes; for conductances")
        group.add_argument("--resistivity-ohm-cm", type=_above_zero, help="of the blood; for conductances")
        parser.add_argument("--beats", action="store_true", help="print every beat as well")
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")

    def handle(self, *args: Any, **options: Any) -> None:
        """Analyse and print."""
        from procedures.pipeline import analyse_file
        from procedures.recordings import RecordingError, parse_mapping

        try:
            mapping = parse_mapping(options["map"])
            report = analyse_file(options["file"], mapping, options["epochs"], calibrations=_calibrations(options))
        except (RecordingError, OSError) as error:
            sentence = "".join(c if c.isprintable() else "?" for c in str(error))
            raise CommandError(sentence, returncode=2) from error
        result = report.as_dict(beats=options["beats"])
        if options["json"]:
            self.stdout.write(json.dumps(result, allow_nan=False))
        else:
            self.stdout.write("\n".join(in_words(result)))


def _where(note: dict[str, Any]) -> str:
    return f"{note['epoch']}: " if note["epoch"] else ""


def _not_negative(text: str) -> float:
    try:
        return decimal_number(text, low=0)
    except NotANumber:
        raise argparse.ArgumentTypeError(f"'{shown(text)}' is not a number from 0 up") from None


def _above_zero(text: str) -> float:
    if (value := _not_negative(text)) == 0:
        raise argparse.ArgumentTypeError(f"'{text}' is not above zero")
    return value


def _calibrations(options: dict[str, Any]) -> list[Calibration]:
    """The one calibration that the options describe, if they do."""
    names = {"alpha": "alpha", "parallel_volume_ml": "parallel_ml", "resistivity_ohm_cm": "resistivity_ohm_cm"}
    given = {names[name]: options[name] for name in names if options[name] is not None}
    if options["spacing_mm"] is not None:
        given["spacing_cm"] = options["spacing_mm"] / 10
    if not given:
        return []
    # only now: loading the engine takes longer than refusing a wrong file
    from procedures.haemodynamics.conditioning.calibration import Calibration

    return [Calibration(**given)]


def in_words(result: dict[str, Any]) -> list[str]:
    """The result as lines of a table."""
    file = result["file"]
    lines = [f"{file['format']} recording, {file['duration_s']:g} s, SHA-256 {file['sha256'][:16]}…", ""]
    for channel in file["channels"]:
        role = channel["role"] or "not used"
        lines.append(f"  {channel['label']:<20} {channel['unit']:<8} {channel['sample_rate_hz']:g} Hz  {role}")
    for epoch in result["epochs"]:
        refused = ", ".join(f"{n} {reason.replace('_', ' ')}" for reason, n in epoch["beats_refused"].items())
        lines += [
            "",
            f"{epoch['label']}: {epoch['start_s']:.2f} to {epoch['end_s']:.2f} s, {epoch['beats_used']} beats used"
            + (f" (excluded: {refused})" if refused else ""),
            f"  {'Rhythm':<26} {RHYTHMS[epoch['rhythm']]}",
        ]
        for key, value in epoch["metrics"].items():
            metric = BY_KEY.get(key)
            name, unit, places = (metric.label, metric.unit, metric.decimals) if metric else (key, "", 2)
            spread = "" if value["sd"] is None else f" ± {value['sd']:.{places + 1}f}"
            lines.append(f"  {name:<26} {value['mean']:>10.{places}f}{spread} {unit}  (n {value['n']})")
    for beat in result.get("beats", []):
        mark = beat["refused"] or "used"
        pairs = ", ".join(f"{key} {value:.4g}" for key, value in beat["metrics"].items())
        lines.append(f"  {beat['time_s']:9.3f} s  {beat['epoch'] or '–'}  {mark}  {pairs}")
    if result["quality"]:
        lines += ["", "Notes"]
        lines += [f"  {note['severity']}: {_where(note)}{note['message']}" for note in result["quality"]]
    return [
        *lines,
        "",
        CAUTION,
    ]
