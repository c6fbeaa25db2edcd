"""The registry's records, one subject a module."""

from registry.models.adverse_event import AdverseEvent, EventKind, Relation, Severity
from registry.models.assessment import Assessment, AssessmentKind, Morphology, Rhythm
from registry.models.base import Record, new_key
from registry.models.change import Change, TrailHead
from registry.models.device import Chamber, Device, DeviceKind
from registry.models.patient import Aetiology, Consent, ConsentScope, Patient, PatientIdentity, Sex
from registry.models.people import Centre, Member, Role, User
from registry.models.table_import import ImportPart, ImportState, PartOf, TableImport

__all__ = [
    "AdverseEvent",
    "Aetiology",
    "Assessment",
    "AssessmentKind",
    "Centre",
    "Chamber",
    "Change",
    "Consent",
    "ConsentScope",
    "Device",
    "DeviceKind",
    "EventKind",
    "ImportPart",
    "ImportState",
    "Member",
    "Morphology",
    "PartOf",
    "Patient",
    "PatientIdentity",
    "Record",
    "Relation",
    "Rhythm",
    "Role",
    "Severity",
    "Sex",
    "TableImport",
    "TrailHead",
    "User",
    "new_key",
]
