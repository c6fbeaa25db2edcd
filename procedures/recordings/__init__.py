"""Reading recordings (EDF/EDF+, CSV, WFDB, DICOM waveform) into one value, and writing EDF+.

Pure: NumPy and the format libraries only. The libraries are loaded when a file of their format is met.
"""

from .edf import read_edf
from .edf_writing import write_edf
from .signals import Annotation, Channel, ChannelInfo, RecordingError, Signals

__all__ = ["Annotation", "Channel", "ChannelInfo", "RecordingError", "Signals", "read_edf", "write_edf"]
