"""Who is let through each route, declared by its name and written out by hand: a new route without a line here fails.

``get`` and ``send`` (POST on pages, PUT on records) name the roles that are let through; a method that nobody is let
through does not exist. What the others meet:

- about a record (``AT_RECORD``): roles in ``refused`` are told so (403), everybody else does not find it (404), and in
  another centre nobody finds it, whatever their role;
- about what is one's own, such as a list (``OWN``): the same roles in every centre, each seeing its own; others 403;
- ``OPEN``: everybody, also without a log-in.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from registry.models import Role

LAB, PHYSICIAN, LEAD = Role.LAB_STAFF, Role.PHYSICIAN, Role.CLINICAL_LEAD
RESEARCHER, ADMINISTRATOR = Role.RESEARCHER, Role.ADMINISTRATOR
ENDED, NOBODY = "ended", "nobody"  # a membership that ended; an account without any

NONE: frozenset[str] = frozenset()
BEDSIDE = frozenset({LAB, PHYSICIAN, LEAD})
DECIDERS = frozenset({PHYSICIAN, LEAD})
READERS = frozenset({LEAD, RESEARCHER})
ADMINISTRATORS = frozenset({ADMINISTRATOR})
ROLES = frozenset(Role.values)
ANYBODY = ROLES | {ENDED, NOBODY}


class Scope(Enum):
    """What a route is about."""

    AT_RECORD = auto()
    OWN = auto()
    OPEN = auto()


@dataclass(frozen=True)
class Rule:
    """Who is let through a route."""

    get: frozenset[str] = NONE
    send: frozenset[str] = NONE
    refused: frozenset[str] = NONE
    refused_everywhere: bool = False  # whoever holds the right in no centre is told so before anything is looked up
    scope: Scope = Scope.AT_RECORD
    made_up: bool = False  # asked about a record that does not exist: nobody is let through


def own(get: frozenset[str] = NONE, send: frozenset[str] = NONE) -> Rule:
    """Declare a route about what is one's own."""
    return Rule(get, send, scope=Scope.OWN)


def open_to_all(*, get: bool = True, send: bool = False) -> Rule:
    """Declare a route that needs no log-in."""
    return Rule(ANYBODY if get else NONE, ANYBODY if send else NONE, scope=Scope.OPEN)


SESSION, SESSION_FORM, SESSION_ACT = Rule(BEDSIDE), Rule(BEDSIDE, BEDSIDE), Rule(send=BEDSIDE)
DECISION = Rule(DECIDERS, DECIDERS, refused=frozenset({LAB}))
_NOT_AT_THE_BED = ROLES - BEDSIDE
PATIENT, PATIENT_FORM = Rule(BEDSIDE, refused=_NOT_AT_THE_BED), Rule(BEDSIDE, BEDSIDE, refused=_NOT_AT_THE_BED)
_NO_ADMINISTRATORS = ROLES - ADMINISTRATORS
CENTRE = Rule(ADMINISTRATORS, refused=_NO_ADMINISTRATORS)
CENTRE_FORM = Rule(ADMINISTRATORS, ADMINISTRATORS, refused=_NO_ADMINISTRATORS)
CENTRE_ACT = Rule(send=ADMINISTRATORS, refused=_NO_ADMINISTRATORS)
ACCOUNT, ACCOUNT_FORM, ACCOUNT_ACT = own(ANYBODY), own(ANYBODY, ANYBODY), own(send=ANYBODY)
LEADS = frozenset({LEAD})
NOT_THERE = Rule(scope=Scope.OPEN)  # found by nobody, logged in or not
NOT_SET_UP = Rule()  # what is not set up: nobody finds it
# Asked to confirm first; a factor one does not have is not found then.
FACTOR = ACCOUNT_FORM
LISTED = own(ANYBODY)  # an empty list to whoever sees no records: checked on its own
RECORD, RECORD_SEEN = Rule(BEDSIDE, BEDSIDE), Rule(BEDSIDE)

# Its records are not in this world: only that nobody passes with a made-up key, and nobody without a log-in. Who is let
# through to a real one is in the tests of the page itself.
MADE_UP = Rule(made_up=True)

RULES: dict[str, Rule] = {
    "home": own(ANYBODY, ANYBODY),
    "healthz": open_to_all(),
    "readyz": open_to_all(),
    "metrics": open_to_all(),  # on this machine; who else: tests/config/test_watching.py
    "openapi": own(ANYBODY),
    # Logging in, and one's own account.
    "login": open_to_all(send=True),
    "account_login": open_to_all(send=True),
    "mfa_authenticate": open_to_all(send=True),
    "mfa_login_webauthn": open_to_all(send=True),
    "account_inactive": open_to_all(),
    # Without a provider nobody finds these; with one: tests/registry/login/test_single_sign_on.py.
    "openid_connect_login": NOT_THERE,
    "openid_connect_callback": NOT_THERE,
    "sso_connect": NOT_SET_UP,
    "sso_disconnect": ACCOUNT_ACT,
    "join": open_to_all(send=True),
    "logout": open_to_all(get=False, send=True),
    "account_logout": open_to_all(get=False, send=True),
    "account": ACCOUNT,
    "account_invitation": MADE_UP,  # one's own only: tests/registry/people/test_joining.py
    "account_sessions": ACCOUNT_FORM,
    "account_end_session": Rule(),  # one's own only; this one belongs to nobody in the world
    "lock": ACCOUNT_FORM,
    "lock_active": ACCOUNT_ACT,
    "account_reauthenticate": ACCOUNT_FORM,
    "mfa_reauthenticate": ACCOUNT_FORM,
    "mfa_reauthenticate_webauthn": ACCOUNT_FORM,
    "account_change_password": ACCOUNT_FORM,
    "account_set_password": ACCOUNT_FORM,
    "mfa_index": ACCOUNT,
    "mfa_activate_totp": ACCOUNT_FORM,
    "mfa_deactivate_totp": FACTOR,
    "mfa_view_recovery_codes": FACTOR,
    "mfa_generate_recovery_codes": ACCOUNT_FORM,
    "mfa_download_recovery_codes": FACTOR,
    "mfa_list_webauthn": ACCOUNT,
    "mfa_add_webauthn": ACCOUNT_FORM,
    # Asked to confirm first; somebody else's passkey is not found then: tests/registry/login.
    "mfa_edit_webauthn": ACCOUNT_FORM,
    "mfa_remove_webauthn": ACCOUNT_FORM,
    # Sessions.
    "procedures:sessions": own(BEDSIDE),
    "procedures:new_session": own(BEDSIDE, BEDSIDE),
    "procedures:patient_meant": own(BEDSIDE),
    "procedures:session": SESSION,
    "procedures:session_details": SESSION_FORM,
    "procedures:new_log_entry": SESSION_FORM,
    "procedures:log_entry": SESSION_FORM,
    "procedures:new_site": SESSION_FORM,
    "procedures:site": SESSION_FORM,
    "procedures:electrodes": SESSION,
    "procedures:electrode_curve": SESSION,
    "procedures:electrode_table": SESSION_FORM,
    "procedures:new_measurement": SESSION_FORM,
    "procedures:measurement": SESSION_FORM,
    "procedures:new_epoch": SESSION_FORM,
    "procedures:epoch": SESSION_FORM,
    "procedures:new_recording": SESSION_FORM,
    "procedures:uploads": SESSION_ACT,
    "procedures:upload": MADE_UP,  # one's own only: tests/procedures/views/test_uploads.py
    "procedures:decision": DECISION,
    "procedures:sign": DECISION,
    "procedures:comparison": SESSION,
    "procedures:comparison_state": SESSION,
    "procedures:figure": SESSION,
    "procedures:report": SESSION,
    "procedures:paper": SESSION,
    "procedures:paper_blank": own(BEDSIDE),
    "procedures:parts": SESSION,
    "procedures:new_part": SESSION_FORM,
    "procedures:part_out": SESSION_FORM,
    # Electrocardiograms.
    "procedures:session_ecgs": SESSION,
    "procedures:new_ecg": SESSION_FORM,
    "procedures:new_interval": SESSION_FORM,
    "procedures:interval": SESSION_FORM,
    "procedures:interval_withdrawal": SESSION_FORM,
    "procedures:ecg": SESSION,
    "procedures:ecg_sheet": SESSION,
    "procedures:ecg_beats": SESSION,
    "procedures:caliper": SESSION_ACT,
    "procedures:ecg_aside": SESSION_ACT,
    "procedures:recorded_ecg": SESSION_FORM,
    "procedures:caliper_strip": SESSION,
    # The bedside page's shell holds nobody's data; what fills it is asked for at the API.
    "procedures:bedside": open_to_all(),
    "procedures:bedside_shell": open_to_all(),
    "procedures:bedside_logged_in": open_to_all(),
    "procedures:bedside_worker": open_to_all(),
    # Recordings.
    "procedures:recording": SESSION,
    "procedures:reading": SESSION,
    "procedures:read_again": SESSION_ACT,
    # The one of the made-up world has been read, so that nobody may: tests/procedures/views/test_reading.py.
    "procedures:withdraw_recording": SESSION_ACT,
    "procedures:signals": SESSION,
    "procedures:beats": SESSION,
    "procedures:judge_beat": SESSION_ACT,
    "procedures:recording_loops": SESSION,
    "procedures:new_calibration": SESSION_FORM,
    "procedures:calibration": SESSION_FORM,
    "procedures:remove_calibration": SESSION_ACT,
    "procedures:channels": SESSION_FORM,
    "procedures:new_recorded_epoch": SESSION_FORM,
    "procedures:recorded_epoch": SESSION_FORM,
    "procedures:found_epochs": SESSION,
    "procedures:epoch_table": SESSION_ACT,
    "procedures:confirm_epochs": SESSION_ACT,
    "procedures:analyse": SESSION_ACT,
    "procedures:cancel_analysis": SESSION_ACT,
    "procedures:progress": SESSION,
    # Patients.
    "registry:patients": own(BEDSIDE, BEDSIDE),
    "registry:new_patient": own(BEDSIDE, BEDSIDE),
    "registry:patient": PATIENT,
    "registry:patient_figure": PATIENT,
    "registry:death": PATIENT_FORM,
    "registry:details": PATIENT_FORM,
    "registry:identity": PATIENT_FORM,
    "registry:follow_up": own(BEDSIDE),
    "registry:schedule": Rule(LEADS, LEADS, refused=ANYBODY - LEADS, refused_everywhere=True),
    "registry:recall": own(DECIDERS),
    "registry:recall_csv": own(DECIDERS),
    "registry:survival": own(READERS),
    "registry:survival_figure": own(READERS),
    "registry:new_record device-checks": PATIENT_FORM,
    "registry:record device-checks": PATIENT_FORM,
    "registry:new_record devices": PATIENT_FORM,
    "registry:record devices": PATIENT_FORM,
    "registry:new_record assessments": PATIENT_FORM,
    "registry:record assessments": PATIENT_FORM,
    "registry:new_record adverse-events": PATIENT_FORM,
    "registry:record adverse-events": PATIENT_FORM,
    "registry:new_record consents": PATIENT_FORM,
    "registry:record consents": PATIENT_FORM,
    # Centres and members.
    "people:centres": own(ADMINISTRATORS),
    "people:service": own(ADMINISTRATORS),
    "people:new_centre": own(ADMINISTRATORS, ADMINISTRATORS),
    "people:centre": CENTRE,
    "people:settings": CENTRE_FORM,
    "people:new_member": CENTRE_FORM,
    "people:withdraw": MADE_UP,  # tests/registry/people/test_joining.py
    "people:member": CENTRE_FORM,
    "people:role": CENTRE_ACT,
    "people:end": CENTRE_ACT,
    "people:link": CENTRE_ACT,
    "people:end_sessions": CENTRE_ACT,
    "people:take_off_factor": CENTRE_ACT,
    # Audit.
    "analytics:audit": own(READERS),
    "analytics:audit_figure": own(READERS),
    "analytics:audit_sessions": own(frozenset({LEAD})),
    # Quality, queries, table imports, identity, changes.
    "analytics:quality": own(BEDSIDE),
    "analytics:quality_figure": own(BEDSIDE),
    "analytics:quality_list": MADE_UP,
    "queries:list": own(BEDSIDE),
    "queries:show": MADE_UP,
    "queries:choose": MADE_UP,
    "queries:raise": MADE_UP,
    "imports:list": own(LEADS),
    "imports:new": own(LEADS, LEADS),
    **{
        f"imports:{part}": MADE_UP
        for part in ("show", "columns", "questions", "progress", "findings", "load", "again", "cancel", "discard")
    },
    "registry:looks": own(LEADS),
    "registry:erase": Rule(LEADS, LEADS, refused=ROLES - LEADS),
    "registry:duplicates": own(LEADS),
    "registry:merge": MADE_UP,
    "registry:undo_merge": MADE_UP,
    "registry:changes": MADE_UP,
    # The API.
    **{
        f"api:{record}-{part}": rule
        for part, rule in (("list", LISTED), ("detail", RECORD_SEEN))
        for record in (
            *("patient", "device", "epochmetric", "recording"),
            *("ecgmeasurement", "intervalreading", "acuteresponse"),
        )
    },
    **{
        f"api:{record}-{part}": rule
        for part, rule in (("list", LISTED), ("detail", RECORD))
        for record in (
            *(
                "assessment",
                "consent",
                "adverseevent",
                "devicecheck",
                "session",
                "logentry",
                "tributary",
                "site",
                "leadmeasurement",
            ),
            *("thresholdtest", "difficulty", "scannedpart", "epoch"),
        )
    },
    "api:decision-list": LISTED,
    "api:decision-detail": Rule(BEDSIDE, DECIDERS, refused=frozenset({LAB})),
    "api:session-sign": Rule(send=DECIDERS, refused=frozenset({LAB})),  # and only who confirms: tests/api
    "api:epoch-metrics": Rule(send=BEDSIDE),
    "api:bedside_token": open_to_all(),
    "api:bedside_entries": own(send=ANYBODY),  # each entry is judged on its own: tests/procedures/bedside
    "api:bedside_session": RECORD_SEEN,
    "api:site-electrodes": RECORD_SEEN,
}

# For each record that can be written, a change of one field that is accepted as long as the session is not signed.
EDITS: dict[str, dict[str, object]] = {
    "api:session-detail": {"notes": "Changed."},
    "api:logentry-detail": {"text": "Changed."},
    "api:tributary-detail": {"vein": "lateral"},
    "api:site-detail": {"notes": "Changed."},
    "api:leadmeasurement-detail": {"capture_threshold_v": 1.4},
    "api:thresholdtest-detail": {"pulse_width_ms": 0.4},
    "api:difficulty-detail": {"text": "Changed."},
    "api:scannedpart-detail": {"part": "ra_lead"},
    "api:epoch-detail": {"ended_at": "2024-03-02T09:01:40Z"},
    "api:decision-detail": {"reason": "Changed."},
}
