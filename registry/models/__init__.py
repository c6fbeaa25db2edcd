"""The registry's records, one subject a module."""

from registry.models.adverse_event import AdverseEvent, EventKind, Relation, Severity, Treatment
from registry.models.assessment import MEDICINES, Assessment
from registry.models.assessment_words import (
    AssessmentKind,
    GlobalAssessment,
    ImagingMethod,
    LifeInstrument,
    Morphology,
    PreviousDevice,
    Rhythm,
    ScarMethod,
)
from registry.models.attempt import Attempt
from registry.models.base import Record, new_key
from registry.models.change import Change, TrailHead
from registry.models.code_counter import CodeCounter
from registry.models.device import FAILURES, Chamber, Device, DeviceKind, ExplantReason
from registry.models.device_check import DeviceCheck
from registry.models.invitation import Answer, Invitation
from registry.models.job import Job, RunState, job_constraints, job_index, to_be_taken
from registry.models.look import Look
from registry.models.merge import PairApart, PatientMerge
from registry.models.patient import (
    Aetiology,
    Consent,
    ConsentScope,
    DeathCause,
    EndOfFollowUp,
    Patient,
    PatientIdentity,
    Sex,
)
from registry.models.patient_key import PatientKey
from registry.models.people import Centre, Member, Role, User
from registry.models.planned_visit import PlannedVisit
from registry.models.query import DataQuery, QueryState, QueryTurn, TurnKind
from registry.models.sign import Sign
from registry.models.table_import import ImportPiece, ImportRun, ImportState, ImportTask, PieceOf, TableImport

__all__ = [
    "FAILURES",
    "MEDICINES",
    "AdverseEvent",
    "Aetiology",
    "Answer",
    "Assessment",
    "AssessmentKind",
    "Attempt",
    "Centre",
    "Chamber",
    "Change",
    "CodeCounter",
    "Consent",
    "ConsentScope",
    "DataQuery",
    "DeathCause",
    "Device",
    "DeviceCheck",
    "DeviceKind",
    "EndOfFollowUp",
    "EventKind",
    "ExplantReason",
    "GlobalAssessment",
    "ImagingMethod",
    "ImportPiece",
    "ImportRun",
    "ImportState",
    "ImportTask",
    "Invitation",
    "Job",
    "LifeInstrument",
    "Look",
    "Member",
    "Morphology",
    "PairApart",
    "Patient",
    "PatientIdentity",
    "PatientKey",
    "PatientMerge",
    "PieceOf",
    "PlannedVisit",
    "PreviousDevice",
    "QueryState",
    "QueryTurn",
    "Record",
    "Relation",
    "Rhythm",
    "Role",
    "RunState",
    "ScarMethod",
    "Severity",
    "Sex",
    "Sign",
    "TableImport",
    "TrailHead",
    "Treatment",
    "TurnKind",
    "User",
    "job_constraints",
    "job_index",
    "new_key",
    "to_be_taken",
]
