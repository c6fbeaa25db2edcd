"""Numbers typed into a page's own fields are read by the rule of the server's forms."""

from __future__ import annotations

import pytest
from django.core.exceptions import ValidationError
from playwright.sync_api import Page

from registry.forms.fields import NumberField
from registry.models import User
from tests.browser.bedside import open_page

pytestmark = pytest.mark.django_db(transaction=True)
TEXTS = (
    *(
        "",
        " ",
        "1",
        "1.5",
        "1,5",
        "1,25",
        "1,200",
        "12,345",
        "123,456",
        "1234,567",
        "0,123",
        "1.200",
        "1,2000",
        "1,200.5",
    ),
    *("1.200,5", "1 200", "1\u202f200,5", "-1.5", "−1.5", "+2", ".5", ",5", "5.", "1e3", "0x10", "0b1", "Infinity"),
    *("NaN", "x", "1.2.3", "--1", "½"),
)
READ = """
async (texts) => {
  const { ambiguous, numberFrom } = await import("/static/tributary/numbers.js");
  return texts.map((text) => [Number.isNaN(numberFrom(text)) ? null : numberFrom(text), ambiguous(text)]);
}
"""


def by_the_server(text: str) -> tuple[float | None, str]:
    try:
        return NumberField("Mark").clean(text), ""
    except ValidationError as error:
        problem = error.error_list[0]
        return None, str(problem.message).removeprefix("Mark: ") if problem.code == "ambiguous" else ""


def test_pages_read_numbers_as_the_forms_do(page: Page, log_in, nurse: User, session) -> None:
    log_in(nurse)
    open_page(page, session)
    found = page.evaluate(READ, list(TEXTS))
    for text, (number, words) in zip(TEXTS, found, strict=True):
        assert (number, words) == by_the_server(text), text
