"""Kidney function and body surface against worked values.

CKD-EPI 2021: Inker et al., N Engl J Med 2021;385:1737. The values were worked out from the printed equation, apart from
this code; a public page quotes "about 76" for 0.9 mg/dL, 55 years, female.
Body surface: Mosteller, N Engl J Med 1987;317:1098; worked the same way.
"""

import pytest

from registry.clinical.body import surface_mosteller
from registry.clinical.kidney import ckd_epi_2021, kidney_stage
from registry.clinical.units import creatinine_umol_per_l, peptide_pg_per_ml


@pytest.mark.parametrize(
    ("mg_per_dl", "age", "sex", "rate"),
    [
        (1.0, 50, "male", 91.69),
        (1.0, 50, "female", 68.63),
        (0.9, 60, "male", 97.78),
        (0.7, 60, "female", 98.95),
        (1.5, 72, "male", 49.16),
        (2.0, 80, "female", 24.79),
        (0.9, 55, "female", 75.50),
    ],
)
def test_filtration_rate(mg_per_dl, age, sex, rate):
    assert ckd_epi_2021(creatinine_umol_per_l(mg_per_dl, "mg/dL"), age, sex) == pytest.approx(rate, abs=0.005)


@pytest.mark.parametrize(("creatinine", "age"), [(0, 60), (-5, 60), (90, 17)])
def test_the_equation_is_not_used_where_it_does_not_hold(creatinine, age):
    with pytest.raises(ValueError, match=r"must be above 0|for adults"):
        ckd_epi_2021(creatinine, age, "male")


@pytest.mark.parametrize(
    ("rate", "stage"),
    [(90, "G1"), (89.9, "G2"), (60, "G2"), (59.9, "G3a"), (44.9, "G3b"), (29.9, "G4"), (15, "G4"), (14.9, "G5")],
)
def test_stage(rate, stage):
    # KDIGO, Kidney Int Suppl 2013;3:1, table 5 (from memory).
    assert kidney_stage(rate) == stage


@pytest.mark.parametrize(
    ("weight", "height", "surface"),
    [
        (70, 170, 1.8181),
        (80, 180, 2.0000),
        (60, 160, 1.6330),
        (100, 175, 2.2048),
        (55, 150, 1.5138),
        (93.5, 171, 2.1074),
    ],
)
def test_body_surface(weight, height, surface):
    assert surface_mosteller(weight, height) == pytest.approx(surface, abs=5e-5)


def test_units_of_laboratories():
    assert creatinine_umol_per_l(1.0, "mg/dL") == 88.4
    assert creatinine_umol_per_l(120, "umol/L") == 120
    assert peptide_pg_per_ml(100, "pg/mL", "bnp") == 100
    # Molar masses 8457 and 3464 g/mol (from memory).
    assert peptide_pg_per_ml(100, "pmol/L", "nt_probnp") == pytest.approx(845.7)
    assert peptide_pg_per_ml(100, "pmol/L", "bnp") == pytest.approx(346.4)
    with pytest.raises(KeyError):
        creatinine_umol_per_l(1, "mg/L")
