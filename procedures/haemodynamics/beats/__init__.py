"""Where each beat begins and ends."""
