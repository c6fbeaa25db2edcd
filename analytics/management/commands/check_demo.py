"""Hold the demo's comparison against the truth its recording was made from."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from fixtures.demo.scenario import scenario
from fixtures.demo.truth_check import check, pairs_in_true_order
from procedures.metrics import BY_KEY
from procedures.models import Session
from registry.management.sentence import SentenceCommand

METRICS = ("stroke_work_mmhg_ml", "dpdt_max_mmhg_per_s")


class Command(SentenceCommand):
    """Print, for each site of the worked session, the true change and the one found."""

    help = "Hold the comparison of the demo's worked session against the truth its recording was generated from."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print one table a metric."""
        told = scenario()
        try:
            session = Session.objects.get(code=told.worked_session, centre__code=told.centre.code)
        except Session.DoesNotExist:
            raise CommandError("The demo is not loaded; run load_demo first.", returncode=2) from None
        for key in METRICS:
            try:
                rows = check(session, key)
            except FileNotFoundError:
                raise CommandError("The truth of the demo's recording was not found beside it.", returncode=2) from None
            metric = BY_KEY[key]
            self.stdout.write(f"{metric.label}: what the recording was made from, and what was found")
            self.stdout.write(f"{'site':<12}{'truth %':>9}{'found %':>9}   95 % interval")
            for row in rows:
                verdict = "holds the truth" if row.inside else "misses the truth"
                self.stdout.write(
                    f"{row.site:<12}{row.truth:>+9.1f}{row.found:>+9.1f}   {row.low:+.1f} to {row.high:+.1f}, {verdict}"
                )
            inside = sum(row.inside for row in rows)
            right, pairs = pairs_in_true_order(rows)
            best_truth, best_found = rows[0].site, max(rows, key=lambda row: row.found).site
            self.stdout.write(
                f"{inside} of {len(rows)} intervals hold the truth; {right} of {pairs} pairs of sites stand in their "
                f"true order; truly best {best_truth}, found best {best_found}.\n"
            )
