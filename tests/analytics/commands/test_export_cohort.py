"""The command: exit codes and sentences."""

import pytest
from django.core.management import CommandError, call_command

from analytics.models import CohortExport
from registry.models import Role, User
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def asked(db, tmp_path, settings):
    """Return arguments that work."""
    settings.EXPORT_KEY = "an-invented-key-of-more-than-32-characters"
    centre = make.make_centre()
    make.make_consent(make.make_patient(centre))
    researcher = make.make_user(Role.RESEARCHER, centre)
    return {"centre": centre.code, "by": researcher.username, "out": str(tmp_path / "out")}


def run(asked, **changed):
    arguments = [f"--{name.replace('_', '-')}={value}" for name, value in (asked | changed).items()]
    call_command("export_cohort", *arguments)


def test_it_says_what_it_wrote(asked, capsys):
    run(asked)

    export = CohortExport.objects.get()
    assert capsys.readouterr().out == (f"1 patients, 0 sessions in {asked['out']}; manifest {export.manifest_sha256}\n")


def test_a_key_of_its_own_makes_pseudonyms_of_its_own(asked, tmp_path):
    (tmp_path / "key").write_text("another-invented-key-of-32-characters\n")
    run(asked, seed_file=tmp_path / "key")
    run(asked, out=tmp_path / "again")

    assert len(set(CohortExport.objects.values_list("key_fingerprint", flat=True))) == 2


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"centre": "nowhere"}, "There is no centre 'nowhere'."),
        ({"by": "nobody"}, "There is no active user 'nobody'."),
        ({"out": "/nowhere/at/all"}, "The folder /nowhere/at does not exist."),
        ({"year": "1999"}, r"No patient of \S+ has a valid research consent today and a session in 1999."),
        ({"year": "soon"}, "'soon' is not a year; write it as 2026."),
        ({"seed_file": "/nowhere/key"}, "The key file /nowhere/key cannot be read."),
    ],
)
def test_wrong_input_is_one_sentence_and_nothing_is_written(asked, tmp_path, changed, sentence):
    with pytest.raises(CommandError, match=sentence) as caught:
        run(asked, **changed)

    assert "year" in changed or caught.value.returncode == 2
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    assert not CohortExport.objects.exists()


def test_a_short_key_is_refused(asked, tmp_path):
    (tmp_path / "key").write_text("short")

    with pytest.raises(CommandError, match="at least 32 characters"):
        run(asked, seed_file=tmp_path / "key")


def test_a_user_who_left_exports_nothing(asked):
    User.objects.filter(username=asked["by"]).update(is_active=False)
    with pytest.raises(CommandError, match="There is no active user"):
        run(asked)


def test_a_physician_is_refused(asked):
    physician = make.make_user(Role.PHYSICIAN, None)
    with pytest.raises(CommandError, match="cannot export cohorts") as caught:
        run(asked, by=physician.username)
    assert caught.value.returncode == 2
