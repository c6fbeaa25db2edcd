"""The kinds of record of the registry, each described once."""

from registry.kinds.course import ADVERSE_EVENT, ASSESSMENT, CONSENT, DEVICE, DEVICE_CHECK
from registry.kinds.patients import PATIENT

KINDS = (PATIENT, ASSESSMENT, ADVERSE_EVENT, CONSENT, DEVICE, DEVICE_CHECK)
