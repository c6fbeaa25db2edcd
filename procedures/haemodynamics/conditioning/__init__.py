"""Signals made ready to be measured: calibrated, filtered, cut into windows."""
