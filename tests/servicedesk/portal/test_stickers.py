"""Stickers: sheets at their true size, codes that can be read, and the page behind one."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
import zxingcpp
from django.conf import settings
from django.test import Client
from PIL import Image, ImageDraw

from servicedesk.calls.models import Call
from servicedesk.portal import label_views
from tests.factories import UnitFactory
from tests.schedules.planned_visits import told
from units.drawings.labels import FORMATS, Label, SheetFormat, draw_sheets
from units.drawings.lettering import text_width
from units.labels import replace_label
from units.models import UnitLabel

pytestmark = pytest.mark.django_db

SVG = "{http://www.w3.org/2000/svg}"
DOTS = 12  # a millimeter on the picture that is read


def painted(page: str) -> Image.Image:
    """Paint the codes of a sheet, as a printer would."""
    root = ET.fromstring(page)  # noqa: S314 - a drawing of our own
    wide, high = (float(number) for number in root.attrib["viewBox"].split()[2:])
    image = Image.new("L", (round(wide * DOTS), round(high * DOTS)), 255)
    brush = ImageDraw.Draw(image)
    for group in root.iter(f"{SVG}g"):
        x, y = (float(number) for number in group.attrib["transform"].split("(")[1].split(")")[0].split(","))
        scale = float(group.attrib["transform"].split("scale(")[1][:-1])
        for square in group[0].attrib["d"].removeprefix("M").split("M"):
            column, line = (int(number) for number in square.split("h")[0].split(","))
            left, top = (x + column * scale) * DOTS, (y + line * scale) * DOTS
            brush.rectangle((left, top, left + scale * DOTS, top + scale * DOTS), fill=0)
    return image


@pytest.mark.parametrize("name", FORMATS)
def test_every_code_of_a_full_sheet_can_be_read(name: str) -> None:
    # ISO/IEC 18004 codes, read back by zxing-cpp, which shares no code with the writer.
    sheet = FORMATS[name]
    labels = [
        Label(f"https://desk.example/w/{'x' * 14}{number:02}/", (f"U-{number}",))
        for number in range(sheet.each_page)
    ]
    [page] = draw_sheets(labels, sheet)
    read = {barcode.text for barcode in zxingcpp.read_barcodes(painted(page))}
    assert read == {label.address for label in labels}


def test_a_sheet_is_drawn_at_its_true_size_label_by_label() -> None:
    sheet = FORMATS["a4-21"]
    pages = draw_sheets([Label("https://desk.example/w/x/", ("U-1", "Firm & Sons"))] * 23, sheet, skip=2)
    assert len(pages) == 2
    root = ET.fromstring(pages[0])  # noqa: S314
    assert (root.attrib["width"], root.attrib["height"]) == ("210mm", "297mm")
    first = next(root.iter(f"{SVG}g")).attrib["transform"]
    # The third label: two columns of 66.04 mm from the corner at 7.25 mm.
    assert first.startswith(f"translate({7.25 + 2 * 66.04:.3f},")
    assert len(list(root.iter(f"{SVG}g"))) == 19
    with pytest.raises(ValueError, match="leave out from 0 to 20"):
        draw_sheets([], sheet, skip=21)
    with pytest.raises(ValueError, match="do not fit"):
        SheetFormat("too wide", (100, 100), (60, 20), 2, 1, (0, 0), (60, 20))


def test_words_stay_on_their_label() -> None:
    sheet = FORMATS["letter-30"]
    [page] = draw_sheets(
        [Label("https://desk.example/w/x/", ("U-1", "A very long company name & Sons of the County"))], sheet
    )
    second = list(ET.fromstring(page).iter(f"{SVG}text"))[1]  # noqa: S314
    begins, size = float(second.attrib["x"]), float(second.attrib["font-size"])
    assert begins + text_width(second.text or "", size=size) <= sheet.corner[0] + sheet.label[0]


def test_a_scheduler_draws_sheets_and_codes_stay(as_scheduler: Client) -> None:
    unit = UnitFactory(code="U-77")
    for _ in range(2):
        page = as_scheduler.get(f"/stickers/?q={unit.code}&sheet=a4-21").content.decode()
        assert "<svg" in page
        assert "U-77" in page
    label = UnitLabel.objects.get()
    assert len(label.code) == 16
    assert "leave out from 0 to 9" in told(as_scheduler.get("/stickers/?q=&sheet=letter-10&skip=12").content)
    assert "No unit in place matches that" in told(
        as_scheduler.get("/stickers/?q=nothing&sheet=a4-21").content
    )


def test_a_code_leads_staff_to_the_unit_and_others_to_a_page_that_tells_nothing(
    as_technician: Client, as_scheduler: Client, client: Client
) -> None:
    unit = UnitFactory(code="U-77", site__address="12 Secret Lane", site__access_notes="Key under the frog")
    label = replace_label(unit, by=None, at=unit_at())
    address = f"/w/{label.code}/"
    assert as_technician.get(address)["Location"] == f"/field/units/{unit.pk}/"
    assert as_scheduler.get(address)["Location"] == unit.get_absolute_url()
    page = told(client.get(address).content)
    for private in ("Secret", "frog", "U-77"):
        assert private not in page
    sent = told(client.post(address, {"words": "Panel is loose", "name": "Testa", "phone": "555"}).content)
    assert "We have it on our list" in sent
    call = Call.objects.get()
    assert (call.unit, call.words, call.reported_by) == (unit, "Panel is loose", "Testa")
    assert "Panel is loose" not in told(client.get(address).content)
    assert client.post(address, {"words": ""}).status_code == 422


def test_a_replaced_code_leads_nowhere(client: Client, as_scheduler: Client) -> None:
    unit = UnitFactory()
    old = replace_label(unit, by=None, at=unit_at())
    as_scheduler.post(f"/stickers/{unit.pk}/new/")
    assert client.get(f"/w/{old.code}/").status_code == 404
    new = UnitLabel.objects.get(replaced_at=None)
    assert new.code != old.code
    assert client.get(f"/w/{new.code}/").status_code == 200
    assert new.address == f"{settings.SITE_URL}/w/{new.code}/"


def test_nobody_can_send_without_end(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(label_views, "MOST_SENT", 2)
    label = replace_label(UnitFactory(), by=None, at=unit_at())
    answers = [client.post(f"/w/{label.code}/", {"words": f"x{number}"}) for number in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 422]
    assert Call.objects.count() == 2


def unit_at() -> Any:
    """Give a moment."""
    from django.utils import timezone

    return timezone.now()


def test_the_drawing_knows_no_django() -> None:
    source = Path("units/drawings/labels.py").read_text(encoding="utf-8")
    assert "django" not in source
