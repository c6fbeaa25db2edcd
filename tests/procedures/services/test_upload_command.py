"""The command stores a file as the page does, and says in a sentence what is wrong."""

import pytest
from django.core.management import CommandError, call_command

from procedures.models import Recording
from tests import factories as make
from tests.signals import pressure_volume_csv, write

pytestmark = pytest.mark.django_db


@pytest.fixture
def given(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "store"
    session = make.make_session()
    by = make.writer_of(session.centre)
    path = write(tmp_path / "day.csv", pressure_volume_csv(10))
    return path, {"session": session.code, "by": by.username, "started_at": session.started_at.isoformat()}


def test_file_is_stored_once_and_stays_where_it_is(given):
    path, options = given
    call_command("upload_recording", path, **options)
    call_command("upload_recording", path, **options)
    assert Recording.objects.get().original_name == "day.csv"
    assert path.exists()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"by": "nobody-here"}, "no user"),
        ({"session": "S-0"}, "sees 0 sessions"),
        ({"started_at": "noon"}, "is no time"),
        ({"started_at": None}, "does not state its start time"),
        ({"map": ["X=1"]}, "X"),
    ],
)
def test_what_is_wrong_is_said(given, change, said):
    path, options = given
    with pytest.raises(CommandError, match=said) as caught:
        call_command("upload_recording", path, **(options | change))
    assert caught.value.returncode == 2
    assert not Recording.objects.exists()
