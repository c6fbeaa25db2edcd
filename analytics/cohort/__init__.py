"""De-identified cohorts: what is exported, under which rules, and what never leaves."""
