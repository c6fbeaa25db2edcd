"""Identity keys are rotated: afterwards the old key can be thrown away."""

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.utils import decrypt, encrypt
from cryptography.fernet import Fernet, InvalidToken
from django.core.exceptions import ImproperlyConfigured
from django.core.management import CommandError, call_command

from registry.errors import RuleBroken
from registry.models import Change, Device, PatientIdentity
from registry.models.encrypted import digest, digests
from registry.selectors.patients import search_patients
from registry.services import key_rotation
from registry.trail.verify import faults
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def patients():
    centre = make.make_centre()
    made = [make.make_patient(centre, local_identifier=f"MRN-{number}") for number in range(7)]
    make.make_device(made[0], serial_number="SN-4242")
    make.make_device(made[1])
    return made


SECRET = "JBSWY3DPEHPK3PXP"


def make_factor(user, kind="totp", **data):
    return Authenticator.objects.create(user=user, type=kind, data=data or {"secret": encrypt(SECRET)})


def new_key():
    return Fernet.generate_key().decode()


def told():
    return [
        (one.family_name, one.given_name, one.birth_date, one.local_identifier)
        for one in PatientIdentity.objects.order_by("pk")
    ]


def test_after_the_rotation_the_old_key_is_not_needed(patients, settings, capsys):
    before, links = told(), Change.objects.count()
    old = settings.IDENTITY_KEYS[0]
    settings.IDENTITY_KEYS = [new_key(), old]
    by = make.writer_of(patients[0].centre)
    assert list(search_patients(by, "mrn-3")) == [patients[3]]  # found while rows are under the old key

    call_command("rotate_identity_keys", batch=3)

    # Seven patients, their keys of the trail, and one serial number; the other generator has none.
    assert "15 rows re-encrypted, 1 already used the first key." in capsys.readouterr().out
    settings.IDENTITY_KEYS = settings.IDENTITY_KEYS[:1]
    assert told() == before
    assert list(faults()) == []  # what the trail sealed is read with the new key alone
    assert Device.objects.get(patient=patients[0]).serial_number == "SN-4242"
    assert list(search_patients(by, "mrn-3")) == [patients[3]]
    settings.IDENTITY_KEYS = [old]
    with pytest.raises(ImproperlyConfigured):
        PatientIdentity.objects.first()
    assert Change.objects.count() == links


def test_broken_off_it_goes_on_where_it_was(patients, settings, monkeypatch):
    before = told()
    settings.IDENTITY_KEYS = [new_key(), *settings.IDENTITY_KEYS]
    batch, calls = key_rotation._rotate_batch, []

    def stumble(*args):
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return batch(*args)

    monkeypatch.setattr(key_rotation, "_rotate_batch", stumble)
    with pytest.raises(KeyboardInterrupt):
        key_rotation.rotate(batch=2)
    assert told() == before  # half old, half new: all readable with both keys
    monkeypatch.undo()

    done = key_rotation.rotate(batch=2)

    assert (done.renewed + done.current, done.current >= 2) == (16, True)
    assert key_rotation.rotate(batch=500).renewed == 0


def test_a_row_of_an_unknown_key_is_named_and_nothing_of_it_changes(patients, settings):
    settings.IDENTITY_KEYS = [new_key()]

    with pytest.raises(
        CommandError, match="cannot be read with the keys in TRIBUTARY_IDENTITY_KEYS; add the key"
    ) as no:
        call_command("rotate_identity_keys")
    assert no.value.returncode == 2
    with pytest.raises(CommandError, match="--batch must be at least 1"):
        call_command("rotate_identity_keys", batch=0)


def test_new_rows_are_made_with_the_newest_key(settings):
    settings.IDENTITY_KEYS = [new_key(), *settings.IDENTITY_KEYS]
    make.make_patient(local_identifier="MRN-77")
    settings.IDENTITY_KEYS = settings.IDENTITY_KEYS[:1]

    assert PatientIdentity.objects.get().local_identifier == "MRN-77"
    assert PatientIdentity.objects.get().local_identifier_digest == digest("MRN-77") == digests("MRN-77")[0]


def test_second_factors_are_made_anew_too(patients, settings):
    user = make.writer_of(patients[0].centre)
    totp = make_factor(user)
    codes = make_factor(user, "recovery_codes", seed=encrypt("5eed" * 20), used_mask=0)
    before = codes.wrap().get_unused_codes()
    old = settings.IDENTITY_KEYS[0]
    settings.IDENTITY_KEYS = [new_key(), old]

    key_rotation.rotate(batch=100)

    settings.IDENTITY_KEYS = settings.IDENTITY_KEYS[:1]
    totp.refresh_from_db()
    codes.refresh_from_db()
    assert decrypt(totp.data["secret"]) == SECRET
    assert len(before) > 1
    assert codes.wrap().get_unused_codes() == before
    settings.IDENTITY_KEYS = [old]
    with pytest.raises(InvalidToken):
        decrypt(totp.data["secret"])


def test_a_second_factor_of_an_unknown_key_is_named(patients, settings):
    make_factor(make.writer_of(patients[0].centre))
    settings.IDENTITY_KEYS = [new_key(), *settings.IDENTITY_KEYS]
    key_rotation.rotate(batch=100)
    factor = Authenticator.objects.get()
    factor.data["secret"] = Fernet(new_key()).encrypt(b"lost").decode()
    factor.save()

    with pytest.raises(RuleBroken, match=rf"second factor {factor.pk} cannot be read"):
        key_rotation.rotate(batch=100)
