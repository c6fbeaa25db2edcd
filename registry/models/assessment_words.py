"""The answers an assessment offers."""

from __future__ import annotations

from django.db import models


class AssessmentKind(models.TextChoices):
    """When in the course it was made."""

    BEFORE = "before", "Before the implant"
    FOLLOW_UP = "follow_up", "Follow-up"


class Rhythm(models.TextChoices):
    """Atrial rhythm."""

    SINUS = "sinus", "Sinus rhythm"
    ATRIAL_FIBRILLATION = "atrial_fibrillation", "Atrial fibrillation"
    OTHER = "other", "Other"
    UNKNOWN = "unknown", "Not known"


class Morphology(models.TextChoices):
    """Conduction pattern of the QRS complex."""

    LBBB = "lbbb", "Left bundle branch block"
    RBBB = "rbbb", "Right bundle branch block"
    IVCD = "ivcd", "Non-specific conduction delay"
    RV_PACED = "rv_paced", "Right-ventricular paced"
    BIV_PACED = "biv_paced", "Biventricular paced"
    NARROW = "narrow", "Narrow"
    UNKNOWN = "unknown", "Not known"


class ImagingMethod(models.TextChoices):
    """How LVEF and volumes were measured."""

    ECHO_BIPLANE = "echo_biplane", "Echo, biplane"
    ECHO_3D = "echo_3d", "Echo, three-dimensional"
    ECHO_VISUAL = "echo_visual", "Echo, by eye"
    CMR = "cmr", "Magnetic resonance"
    NUCLEAR = "nuclear", "Nuclear imaging"
    ANGIOGRAPHY = "angiography", "Ventricular angiography"
    UNKNOWN = "unknown", "Not known"


class LifeInstrument(models.TextChoices):
    """The instrument of a quality-of-life score. Only the first counts up when life is worse."""

    MLHFQ = "mlhfq", "MLHFQ, 0 to 105, lower is better"
    KCCQ = "kccq", "KCCQ overall summary, 0 to 100, higher is better"
    EQ_VAS = "eq_vas", "EQ visual scale, 0 to 100, higher is better"
    NOT_ASKED = "not_asked", "Not asked"


class GlobalAssessment(models.TextChoices):
    """The patient's own word on the change since before the implant."""

    MARKEDLY_BETTER = "markedly_better", "Markedly better"
    MODERATELY_BETTER = "moderately_better", "Moderately better"
    SLIGHTLY_BETTER = "slightly_better", "Slightly better"
    UNCHANGED = "unchanged", "Unchanged"
    SLIGHTLY_WORSE = "slightly_worse", "Slightly worse"
    MODERATELY_WORSE = "moderately_worse", "Moderately worse"
    MARKEDLY_WORSE = "markedly_worse", "Markedly worse"
    UNKNOWN = "unknown", "Not asked"


class PreviousDevice(models.TextChoices):
    """What was implanted before."""

    NONE = "none", "None"
    PACEMAKER = "pacemaker", "Pacemaker"
    ICD = "icd", "Defibrillator"
    CRT = "crt", "CRT device"
    UNKNOWN = "unknown", "Not known"


class ScarMethod(models.TextChoices):
    """How scar was looked for."""

    CMR = "cmr", "Magnetic resonance, late enhancement"
    NUCLEAR = "nuclear", "Nuclear imaging"
    ECHO = "echo", "Echo"
    NOT_DONE = "not_done", "Not looked for"
    UNKNOWN = "unknown", "Not known"
