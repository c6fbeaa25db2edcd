"""What counts as each kind of adverse event, with the source of the definition."""

from __future__ import annotations

from dataclasses import dataclass

_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Definition:
    """The words that decide whether something is recorded under a kind."""

    text: str
    source: str


DEFINITIONS: dict[str, Definition] = {
    "cs_dissection": Definition("Contrast staining of the wall of the coronary sinus or a tributary.", _PRACTICE),
    "cs_perforation": Definition("Contrast leaking from the vessel into the pericardial space.", _PRACTICE),
    "tamponade": Definition("Pericardial effusion that needs drainage or surgery.", _PRACTICE),
    "pneumothorax": Definition("Air in the pleural space on imaging; major when drained.", _PRACTICE),
    "haematoma": Definition(
        "Clinically significant when it needs re-operation, prolongs the stay or interrupts anticoagulation.",
        "Birnie et al., N Engl J Med 2013;368:2084 (from memory)",
    ),
    "infection": Definition(
        "Infection of pocket, lead or valve with the device in place, up to 12 months after the procedure.",
        f"{_PRACTICE} for the time span",
    ),
    "lead_dislodgement": Definition(
        "A change of position that needs another procedure, or the lead is abandoned.", _PRACTICE
    ),
    "lead_failure": Definition(
        "Fracture, insulation breach or loss of function without a change of position.", _PRACTICE
    ),
    "phrenic_stimulation": Definition("Twitching that the patient notices or that limits programming.", _PRACTICE),
    "contrast_nephropathy": Definition(
        "Creatinine up by 0.3 mg/dL (26.5 µmol/L) within 48 h, or to 1.5 times within 7 days, after contrast.",
        "KDIGO, Kidney Int Suppl 2012;2:1 (from memory)",
    ),
    "heart_failure_admission": Definition(
        "Unplanned stay of a night or more with intravenous treatment for heart failure.", f"{_PRACTICE}"
    ),
    "other_admission": Definition("Any other unplanned stay in hospital of a night or more.", _PRACTICE),
    "ventricular_arrhythmia": Definition("Sustained ventricular arrhythmia, or treated by the device.", _PRACTICE),
    "inappropriate_shock": Definition("A shock without a ventricular arrhythmia.", _PRACTICE),
    "reintervention": Definition("An unplanned further procedure on generator, leads or pocket.", _PRACTICE),
    "extraction": Definition(
        "Removal of a lead implanted for more than a year, or one that needs more than simple traction.",
        "Wilkoff et al., Heart Rhythm 2009;6:1085 (from memory)",
    ),
    "therapy_stopped": Definition("Resynchronisation switched off because heart failure worsened.", _PRACTICE),
    "death": Definition("Death of any cause; the cause is recorded with the date of death.", _PRACTICE),
    "other": Definition("Anything else that harmed the patient, described in words.", _PRACTICE),
}
SEVERITY = Definition(
    "Major: needs an intervention, prolongs the stay, is life-threatening or causes permanent harm. Minor: all "
    "others. Fatal: led to death.",
    _PRACTICE,
)
