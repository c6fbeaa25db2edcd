"""Reading recordings (EDF/EDF+, CSV, WFDB, DICOM waveform) into one value, and writing EDF+.

Pure: NumPy and the format libraries only. The libraries are loaded when a file of their format is met.
"""

from .decimate import decimate
from .edf import read_edf
from .edf_writing import write_edf
from .epochs import EpochMark, check_epochs, epochs_from_annotations, parse_epochs_csv, read_epochs_csv
from .reading import Recording, open_recording, read_recording
from .roles import ROLES, Assignment, assign_roles, parse_mapping
from .signals import Annotation, Channel, ChannelInfo, RecordingError, Signals

__all__ = [
    "ROLES",
    "Annotation",
    "Assignment",
    "Channel",
    "ChannelInfo",
    "EpochMark",
    "Recording",
    "RecordingError",
    "Signals",
    "assign_roles",
    "check_epochs",
    "decimate",
    "epochs_from_annotations",
    "open_recording",
    "parse_epochs_csv",
    "parse_mapping",
    "read_edf",
    "read_epochs_csv",
    "read_recording",
    "write_edf",
]
