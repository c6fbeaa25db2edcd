"""Elastance and its kin, from load-reduction runs or single beats."""
