"""``manage.py contractility``: end-systolic elastance and its kin from load-reduction runs, or estimated."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import CommandError, CommandParser

from registry.caution import CAUTION
from registry.management.sentence import SentenceCommand

_RUN = {
    "espvr": "Ees {slope:.2f} mmHg/mL ({slope_low:.2f} to {slope_high:.2f}), "
    "V0 {intercept:.0f} mL ({intercept_low:.0f} to {intercept_high:.0f}), r {correlation:.2f}, {beats} beats",
    "espvr_curved": "curved: Ees {ees_mmhg_per_ml:.2f} mmHg/mL at V0 {v0_ml:.0f} mL",
    "prsw": "preload-recruitable stroke work {slope:.0f} mmHg ({slope_low:.0f} to {slope_high:.0f})",
    "dpdt_max_edv": "dP/dtmax on EDV {slope:.1f} mmHg/s/mL ({slope_low:.1f} to {slope_high:.1f})",
    "edpvr": "end-diastolic stiffness {stiffness_per_ml:.4f} /mL ({stiffness_low:.4f} to {stiffness_high:.4f})",
}


class Command(SentenceCommand):
    """Fit each epoch of one file; nothing is stored and no database is needed."""

    help = "Load-independent measures of each epoch: relations over a fall of preload, else a single-beat estimate."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the file, the mapping of channels, the epochs and the form of the output."""
        parser.add_argument("file", metavar="FILE", help="EDF or EDF+, CSV, zipped WFDB record, DICOM waveform")
        parser.add_argument("--map", action="append", default=[], metavar="ROLE=LABEL", help="the channel of a role")
        parser.add_argument("--epochs", metavar="FILE.csv", help="table label,start_s,end_s (times in s)")
        parser.add_argument("--curved", action="store_true", help="fit the curved end-systolic relation too")
        parser.add_argument("--json", action="store_true", help="print JSON instead of lines")

    def handle(self, *args: Any, **options: Any) -> None:
        """Fit and print."""
        from procedures.pipeline import analyse_file
        from procedures.recordings import RecordingError, parse_mapping

        try:
            report = analyse_file(options["file"], parse_mapping(options["map"]), options["epochs"])
        except (RecordingError, OSError) as error:
            sentence = "".join(c if c.isprintable() else "?" for c in str(error))
            raise CommandError(sentence, returncode=2) from error
        from procedures.pipeline.contractility import contractility

        found = contractility(report, options["curved"])
        if options["json"]:
            self.stdout.write(json.dumps(found, allow_nan=False))
        else:
            self.stdout.write("\n".join(line for epoch in found for line in in_words(epoch)))
            self.stdout.write(f"\n{CAUTION}")


def in_words(epoch: dict[str, Any]) -> list[str]:
    """One epoch as lines."""
    lines = [epoch["label"]]
    lines += [f"  {_RUN[name].format(**value)}" for name, value in epoch["run"].items()]
    lines += [f"  {name.replace('_', ' ')}: {reason}" for name, reason in epoch["refused"].items()]
    if estimate := epoch.get("single_beat"):
        lines.append(
            "  estimated from steady beats: Ees {ees_mmhg_per_ml:.2f} ± {ees_sd:.2f} mmHg/mL (SD over {beats} beats), "
            "V0 {v0_ml:.0f} mL; an estimate, which may be off by a third or more".format(**estimate)
        )
    if "ea_over_ees" in epoch.get("energetics", {}):
        lines.append(
            "  by {from}: Ea/Ees {ea_over_ees:.2f}, potential energy {potential_energy_mmhg_ml:.0f} mmHg·mL, "
            "pressure-volume area {pressure_volume_area_mmhg_ml:.0f} mmHg·mL, efficiency {efficiency:.2f}".format(
                **epoch["energetics"]
            )
        )
    return lines
