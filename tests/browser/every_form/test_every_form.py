"""Each form that makes or changes a record, pressed once in a browser at the real desk, to its end."""

from __future__ import annotations

from collections import Counter

import pytest

from servicedesk.accounts.models import Role
from servicedesk.core.models import Change
from tests.browser.every_form.filling import button_of, fill_in, find_form
from tests.browser.every_form.places import BY_MORE, PLACES
from tests.browser.every_form.recipes import RECIPES
from tests.browser.every_form.stand import DESK, PHONE, Stand
from tests.every_address import ALL
from tests.faults.sent_records import Sent
from tests.faults.test_twice import held

pytestmark = pytest.mark.browser


def who_presses(name: str, sent: Sent) -> str:
    """Say who sends a form: the role with the fewest rights that may, or nobody signed in."""
    if sent.anonymous:
        return ""
    return BY_MORE.get(name) or str(ALL[sent.name].callback.opens_to.value)  # type: ignore[attr-defined]


def state() -> Counter[str]:
    """Count what the desk holds, and the lines of its history."""
    return held() + Counter(changes=Change.objects.count())


@pytest.mark.parametrize("name", sorted(RECIPES))
def test_a_form_filled_in_and_sent_does_what_it_says(stand: Stand, name: str) -> None:
    sent = RECIPES[name]()
    who = who_presses(sent.name, sent)
    width = PHONE if who in {"", Role.TECHNICIAN.value} else DESK
    with stand.window(who, width=width) as window:
        window.open(PLACES[name](sent) if name in PLACES else sent.path)
        form = find_form(window.page, sent.path, entries=sent.data)
        fill_in(form, sent.data, sent.files)
        before = state()
        with window.page.expect_response(lambda answer: answer.request.method == "POST") as posted:
            button_of(form, sent.data).click()
        assert posted.value.status in {200, 302}, window.page.inner_text("main")
        window.page.wait_for_load_state()
        assert [row for row in window.answers if row[2] >= 400] == []
        assert state() != before, window.page.inner_text("main")
