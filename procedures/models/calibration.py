"""What turns conductances into volumes, and corrects volumes that a recorder made of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import models
from django.db.models import Q

from procedures.models.recording import Recording
from registry.models import Record
from registry.models.constraints import both_or_neither, in_order, one_of, within
from registry.models.declared import RECORDING, declare, withheld

if TYPE_CHECKING:
    from procedures.haemodynamics.conditioning.calibration import Calibration as Constants


class AlphaOrigin(models.TextChoices):
    """Where alpha comes from."""

    TYPED = "typed", "entered"
    REFERENCE = "reference", "from a reference stroke volume"


class ParallelOrigin(models.TextChoices):
    """Where the parallel volume comes from."""

    TYPED = "typed", "entered"
    WASH_IN = "wash_in", "from a saline wash-in"


class Calibration(Record):
    """Constants of the volumes of a recording, valid from a time of its own axis until the next calibration."""

    recording = models.ForeignKey(Recording, models.CASCADE, related_name="calibrations")
    valid_from_s = models.FloatField("Valid from")
    electrode_spacing_mm = models.FloatField("Electrode spacing", null=True, blank=True)
    blood_resistivity_ohm_cm = models.FloatField("Blood resistivity", null=True, blank=True)
    # Numbers of segments outside the ventricle, from the apex; the same in every calibration of a recording.
    excluded_segments = models.JSONField(default=list, blank=True)

    alpha = models.FloatField("Alpha", default=1.0)
    alpha_origin = models.CharField(max_length=10, choices=AlphaOrigin, default=AlphaOrigin.TYPED)
    alpha_standard_error = models.FloatField(null=True, blank=True)
    reference_sv_ml = models.FloatField("Reference stroke volume", null=True, blank=True)
    reference_start_s = models.FloatField("Reference stretch, start", null=True, blank=True)
    reference_end_s = models.FloatField("Reference stretch, end", null=True, blank=True)

    # Subtracted before alpha divides.
    parallel_volume_ml = models.FloatField("Parallel volume", default=0.0)
    parallel_origin = models.CharField(max_length=10, choices=ParallelOrigin, default=ParallelOrigin.TYPED)
    parallel_standard_error_ml = models.FloatField(null=True, blank=True)
    wash_in_start_s = models.FloatField("Wash-in, start", null=True, blank=True)
    wash_in_end_s = models.FloatField("Wash-in, end", null=True, blank=True)

    handling = declare(
        withheld("recording valid_from_s electrode_spacing_mm blood_resistivity_ohm_cm excluded_segments", RECORDING),
        withheld("alpha alpha_origin alpha_standard_error", RECORDING),
        withheld("reference_sv_ml reference_start_s reference_end_s", RECORDING),
        withheld("parallel_volume_ml parallel_origin parallel_standard_error_ml", RECORDING),
        withheld("wash_in_start_s wash_in_end_s", RECORDING),
    )

    class Meta:
        ordering = ("valid_from_s",)
        # Ranges: project choice, wide enough for any catheter and any blood; alpha as far as can be believed.
        constraints = [
            within("calibration", "electrode_spacing_mm", 2, 30),
            within("calibration", "blood_resistivity_ohm_cm", 50, 400),
            within("calibration", "alpha", 0.2, 2),
            within("calibration", "parallel_volume_ml", 0, 1000),
            within("calibration", "reference_sv_ml", 2, 300),
            within("calibration", "alpha_standard_error", 0, 2),
            within("calibration", "parallel_standard_error_ml", 0, 10_000),
            both_or_neither("calibration", "electrode_spacing_mm", "blood_resistivity_ohm_cm"),
            both_or_neither("calibration", "reference_start_s", "reference_end_s"),
            both_or_neither("calibration", "reference_sv_ml", "reference_start_s"),
            both_or_neither("calibration", "wash_in_start_s", "wash_in_end_s"),
            in_order("calibration", "reference_start_s", "reference_end_s"),
            in_order("calibration", "wash_in_start_s", "wash_in_end_s"),
            one_of("calibration", "alpha_origin", AlphaOrigin.values),
            one_of("calibration", "parallel_origin", ParallelOrigin.values),
            models.CheckConstraint(
                condition=Q(alpha_origin=AlphaOrigin.REFERENCE, reference_sv_ml__isnull=False)
                | Q(alpha_origin=AlphaOrigin.TYPED, reference_sv_ml__isnull=True),
                name="calibration_alpha_says_its_source",
            ),
            models.CheckConstraint(
                condition=Q(
                    parallel_origin=ParallelOrigin.WASH_IN,
                    wash_in_start_s__isnull=False,
                    parallel_standard_error_ml__isnull=False,
                )
                | Q(
                    parallel_origin=ParallelOrigin.TYPED,
                    wash_in_start_s__isnull=True,
                    parallel_standard_error_ml__isnull=True,
                ),
                name="calibration_parallel_says_its_source",
            ),
            models.UniqueConstraint(
                fields=("recording", "valid_from_s"),
                name="calibration_once_per_moment",
                violation_error_message="Another calibration of this recording starts at this time. Change one of "
                "the two.",
                violation_error_code="field:valid_from_s",
            ),
        ]

    def __str__(self) -> str:
        return f"calibration from {self.valid_from_s:.1f} s"

    def constants(self) -> Constants:
        """The same for the engine, in its units."""
        from procedures.haemodynamics.conditioning.calibration import Calibration as Constants

        spacing_mm = self.electrode_spacing_mm
        return Constants(
            resistivity_ohm_cm=self.blood_resistivity_ohm_cm,
            spacing_cm=None if spacing_mm is None else spacing_mm / 10,
            alpha=self.alpha,
            parallel_ml=self.parallel_volume_ml,
            valid_from_s=self.valid_from_s,
            excluded=tuple(self.excluded_segments),
        )
