"""Units in which laboratories report, and the one in which each quantity is kept."""

from __future__ import annotations

from registry.clinical.kidney import UMOL_PER_L_IN_MG_PER_DL

CREATININE_UNITS = (("umol/L", "µmol/L"), ("mg/dL", "mg/dL"))
# ng/L and pg/mL are the same number.
PEPTIDE_UNITS = (("pg/mL", "pg/mL (ng/L)"), ("pmol/L", "pmol/L"))
PEPTIDES = (("nt_probnp", "NT-proBNP"), ("bnp", "BNP"))
# Molar mass in kg/mol, which turns pmol/L into pg/mL: 8457 and 3464 g/mol (from memory).
_PEPTIDE_MASS = {"nt_probnp": 8.457, "bnp": 3.464}


def creatinine_umol_per_l(value: float, unit: str) -> float:
    """Return creatinine in the unit it is kept in.

    Parameters
    ----------
    value
        As the laboratory reports it; NaN gives NaN.
    unit
        ``umol/L`` or ``mg/dL``.

    Returns
    -------
    float
        µmol/L.

    Raises
    ------
    KeyError
        When the unit is none of ``CREATININE_UNITS``.

    Notes
    -----
    88.4 µmol/L make 1 mg/dL (molar mass 113.12 g/mol; common practice, no source).
    """
    return value * {"umol/L": 1.0, "mg/dL": UMOL_PER_L_IN_MG_PER_DL}[unit]


def peptide_pg_per_ml(value: float, unit: str, assay: str) -> float:
    """Return a natriuretic peptide in pg/mL; the two assays measure different molecules and are never compared.

    Parameters
    ----------
    value
        As the laboratory reports it; NaN gives NaN.
    unit
        ``pg/mL`` or ``pmol/L``.
    assay
        ``nt_probnp`` or ``bnp``.

    Returns
    -------
    float
        pg/mL.

    Raises
    ------
    KeyError
        When unit or assay is none of those listed.

    Notes
    -----
    Molar masses 8457 and 3464 g/mol (from memory).
    """
    return value * {"pg/mL": 1.0, "pmol/L": _PEPTIDE_MASS[assay]}[unit]
