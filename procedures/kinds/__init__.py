"""The kinds of record of a session, each described once, in the file of its subject."""

from procedures.kinds import epochs, recordings, sessions, sites

KINDS = (*sessions.KINDS, *sites.KINDS, *recordings.KINDS, *epochs.KINDS)
