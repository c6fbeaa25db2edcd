"""What is said of an electrocardiogram hangs on how the ventricles were paced."""

import pytest

from procedures.electrocardiogram.position import CAVEAT
from procedures.models import EcgMeasurement
from procedures.selectors.ecg_reading import read_ecg
from procedures.services.epochs import put_pacing
from tests import factories as make
from tests.ecgs import stored_ecg

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("chambers", "judged"), [("biv", True), ("lv", False), ("rv", False), (None, True)])
def test_lost_left_ventricular_capture_is_judged_only_while_both_ventricles_are_paced(chambers, judged):
    site = make.make_site()
    by = make.writer_of(site.session.centre)
    pacing = put_pacing(by=by, session=site.session, chambers=chambers) if chambers else None
    epoch = make.make_epoch(site=site, pacing=pacing)
    ecg = stored_ecg(site.session, site)
    # As if it had been measured in the epoch, in a paced rhythm.
    EcgMeasurement.objects.filter(pk=ecg.pk).update(epoch=epoch, site=None, paced=True)
    reading = read_ecg(EcgMeasurement.objects.get(pk=ecg.pk), None)
    assert bool(reading.captures) is judged
    assert (reading.lost.suspected is None) is not judged
    assert (reading.position_caveat == CAVEAT) is judged
