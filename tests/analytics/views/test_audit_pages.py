"""The audit pages, through the front door."""

import pytest
from django.urls import reverse

from analytics.views import audit as views
from registry.models import Role
from registry.services.people import add_member
from tests import factories as make
from tests.analytics.year import YEAR, make_year

pytestmark = pytest.mark.django_db
AUDIT = reverse("analytics:audit")
FIGURE = reverse("analytics:audit_figure")


def behind(key):
    return reverse("analytics:audit_sessions", args=[key])


@pytest.fixture
def year(db):
    return make_year()


@pytest.fixture
def lead(client, year):
    client.force_login(make.make_user(Role.CLINICAL_LEAD, year.centre))
    return client


def test_page_shows_the_latest_year_with_its_numbers(lead, year):
    html = " ".join(lead.get(AUDIT).content.decode().split())

    assert f"Audit {YEAR}, The audited centre" in html
    assert "66.7" in html  # 4 of 6 with an LV lead
    assert "30.0 to 90.3" in html  # its Wilson interval
    assert "not applicable" in html
    assert "outcome not recorded yet" in html
    assert "1 adverse event on days 0 to 30 is not counted" in html
    assert "certified medical device" in html
    assert "Centre</label>" not in html
    assert f'data-figure-url="{FIGURE}?centre={year.centre.code}&amp;year={YEAR}"' in html


def test_a_member_of_several_centres_chooses(lead, year):
    other = make.make_centre(name="The other centre")
    make.make_session(make.make_patient(other))
    add_member(by=None, centre=other, user=lead.get(AUDIT).wsgi_request.user, role=Role.CLINICAL_LEAD)

    html = lead.get(AUDIT, {"centre": other.code}).content.decode()

    assert "Audit 2024, The other centre" in html
    assert f'<option value="{year.centre.code}"' in html


def test_a_centre_without_sessions_says_so(client):
    client.force_login(make.make_user(Role.CLINICAL_LEAD))

    answer = client.get(AUDIT)

    assert answer.status_code == 200
    assert "No sessions in" in answer.content.decode()


@pytest.mark.parametrize("typed", ["1890", "soon", "2023.5", "99999999999999"])
def test_a_year_without_sessions_is_refused_with_a_sentence(lead, typed):
    answer = lead.get(AUDIT, {"year": typed})

    assert answer.status_code == 422
    assert f"Years with sessions: {YEAR}." in answer.content.decode()


def test_figure_carries_each_proportion_with_its_interval(lead):
    figure = lead.get(FIGURE).json()

    points = {
        label: (x, x - minus, x + plus)
        for trace in figure["data"]
        for label, x, minus, plus in zip(
            trace["y"], trace["x"], trace["error_x"]["arrayminus"], trace["error_x"]["array"], strict=True
        )
    }
    assert points["LV lead implanted"] == pytest.approx((66.67, 30.0, 90.32), abs=0.02)
    assert points["Response by LVESV"][0] == 50
    assert "Site chosen led the comparison" not in points
    assert len({trace["marker"]["symbol"] for trace in figure["data"]}) == len(figure["data"])


def test_numbers_lead_to_their_sessions(lead, year):
    listed = lead.get(behind("response"), {"year": YEAR, "group": "total"}).content.decode()

    assert year.sessions["a"].code in listed
    assert "LVESV 200 to 150 mL (-25.0 %; the first value is of " in listed
    assert year.sessions["d"].code not in listed


def test_lists_are_paged(lead, year, monkeypatch):
    monkeypatch.setattr(views, "PAGE_SIZE", 3)

    html = lead.get(behind("implant-success"), {"year": YEAR, "group": "total", "page": 2}).content.decode()

    assert "Page 2 of 2" in html
    assert f"year={YEAR}&amp;group=total&amp;page=1" in html
    assert html.count('<th scope="row">') == 3


@pytest.mark.parametrize(("key", "group"), [("no-such", "total"), ("response", "no-such")])
def test_unknown_lists_are_not_found(client, key, group):
    client.force_login(make.make_user(Role.CLINICAL_LEAD))

    assert client.get(behind(key), {"group": group}).status_code == 404


def test_a_researcher_sees_numbers_and_no_single_session(client, year):
    client.force_login(make.make_user(Role.RESEARCHER, year.centre))

    page = client.get(AUDIT)

    assert page.status_code == 200
    assert "/sessions/?" not in page.content.decode()
    assert client.get(behind("response")).status_code == 403


@pytest.mark.parametrize("address", [AUDIT, FIGURE, behind("response")])
@pytest.mark.parametrize("role", [Role.LAB_STAFF, Role.PHYSICIAN, Role.ADMINISTRATOR, None])
def test_other_roles_are_refused(client, address, role):
    client.force_login(make.make_user(role))

    answer = client.get(address)

    assert answer.status_code == 403
    assert "Your role cannot see the audit." in answer.content.decode()


@pytest.mark.parametrize("address", [AUDIT, FIGURE, behind("response")])
def test_another_centre_is_not_found(client, address):
    client.force_login(make.make_user(Role.CLINICAL_LEAD))

    assert client.get(address, {"centre": make.make_centre().code}).status_code == 404


@pytest.mark.parametrize("address", [AUDIT, FIGURE, behind("response")])
def test_nobody_gets_in_without_logging_in(client, address):
    assert client.get(address).status_code == 302
