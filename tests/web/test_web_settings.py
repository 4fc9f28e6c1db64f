"""Settings: the shop's hold for all cases and outlive a restart; a device's are its own; units are brought to ours."""

from __future__ import annotations

from datetime import UTC, datetime

import httpx
import pytest

from firstcause.casebook.shop_settings import SettingsUnreadable, ShopSettings, read_settings, settings_path
from firstcause.web.app import create_app
from firstcause.web.measures import asked_in, in_units, kept_as

SHOP = {"name": "Harbour Lane", "labour_per_hour": "95,5", "currency": "eur", "units": "imperial", "language": "en"}
LOOK = "plug-look at cylinder 3"


def test_the_shops_settings_outlive_a_restart(shop, tmp_path, packs):
    assert shop.post("/settings", **SHOP).status_code == 303

    again = create_app(tmp_path / "casebook.db", clock=lambda: datetime.now(UTC), packs=packs)
    kept = again.state.desk.settings
    again.state.desk.store.close()
    assert kept == ShopSettings(name="Harbour Lane", labour_per_hour=95.5, currency="EUR", units="imperial")


def test_a_broken_file_of_settings_is_said_and_left_alone(tmp_path, packs):
    path = settings_path(tmp_path / "casebook.db")
    path.write_text('{"units": "cubits"}', encoding="utf-8")
    with pytest.raises(SettingsUnreadable, match="units: Input should be 'metric' or 'imperial'"):
        create_app(tmp_path / "casebook.db", clock=lambda: datetime.now(UTC), packs=packs)
    assert path.read_text(encoding="utf-8") == '{"units": "cubits"}'


def test_what_cannot_be_is_refused_and_nothing_is_kept(shop, tmp_path):
    answer = shop.post("/settings", **{**SHOP, "currency": "pounds", "labour_per_hour": "-3"})
    assert answer.status_code == 422
    assert "currency" in answer.text
    assert "labour_per_hour" in answer.text
    assert read_settings(settings_path(tmp_path / "casebook.db")) is None


def steps_of(shop, case_id: str) -> dict[str, float]:
    """Every step that is offered, and its price."""
    weighing = shop.client.get(f"/api/cases/{case_id}/weighing").json()
    return {step["key"]: step["price"] for step in weighing["next_steps"]}


def test_a_new_rate_is_in_the_very_next_weighing(shop):
    case_id = shop.misfiring()
    before = steps_of(shop, case_id)
    shop.post("/settings", **{**SHOP, "labour_per_hour": "240"})

    assert steps_of(shop, case_id)[LOOK] == pytest.approx(2 * before[LOOK])  # 240 an hour instead of the usual 120
    assert "EUR" in shop.client.get(f"/cases/{case_id}").text


def test_a_step_whose_tool_is_missing_is_not_offered(shop, knowledge):
    case_id = shop.misfiring()
    assert LOOK in steps_of(shop, case_id)
    tools = knowledge.tests["plug-look"].tools
    shop.client.post("/settings", data={**SHOP, "missing": tools[0]})

    assert LOOK not in steps_of(shop, case_id)
    assert "Tools you do not have: 1 of" in shop.client.get("/settings").text


def test_how_a_device_shows_the_page_is_its_own_affair(shop):
    answer = shop.post("/display", light="sun", type="large", by="Ada")
    assert answer.status_code == 303
    assert '<html lang="en" class="l-sun t-large">' in shop.client.get("/").text
    assert '<html lang="en" class="l-auto t-usual">' in httpx.get(shop.base).text
    shop.post("/display", light='"><script>', type="huge")
    assert '<html lang="en" class="l-auto t-usual">' in shop.client.get("/").text


def test_after_setting_the_display_one_is_led_to_our_own_pages_only(shop):
    for foreign in ("//elsewhere.test/", "https://elsewhere.test/", "/\\elsewhere.test"):
        assert (
            shop.post("/display", light="sun", type="usual", back=foreign).headers["location"].startswith("/settings")
        )
    assert shop.post("/display", light="sun", type="usual", back="/cases/c-0001").headers["location"] == "/cases/c-0001"


def test_miles_and_fahrenheit_are_kept_as_ours(shop):
    """1 mi = 1.609344 km, degF = 9/5 degC + 32: exact by definition (NIST SP 811 (2008), appendix B; from memory)."""
    shop.post("/settings", **SHOP)
    form = shop.client.get("/new").text
    assert "Distance on the clock, mi" in form
    car = {"make": "Velmora", "model": "Tessin", "shape": "V4", "pack": "misfire"}
    opened = shop.post("/cases", **car, **{"distance_km": "88000", "unit-distance_km": "mi", "shop": "Harbour Lane"})
    case_id = opened.headers["location"].rpartition("/")[2]
    typed = {"kind": "snapshot", "stored": "P0302", "coolant_c": "194", "unit-coolant_c": "degF", "speed_kmh": "30"}
    shop.post(f"/cases/{case_id}/record", **typed, **{"unit-speed_kmh": "mph"})

    case = shop.desk.store.case(case_id)
    assert case.car.distance_km == pytest.approx(141_622.3, abs=0.05)
    assert case.opened.shop == "Harbour Lane"
    assert case.freeze_frame.coolant_c == pytest.approx(90.0, abs=1e-4)
    assert case.freeze_frame.speed_kmh == pytest.approx(48.28, abs=0.005)
    assert "88,000 mi" in shop.client.get(f"/cases/{case_id}").text
    evidence = shop.client.get(f"/cases/{case_id}/evidence").text
    assert "194 °F" in evidence
    assert "30 mph" in evidence


def test_only_numbers_with_our_units_are_read_anew():
    assert in_units("Car taken in: Velmora, 1,000 km.", "imperial") == "Car taken in: Velmora, 621 mi."
    assert in_units("100 km/h at 88 °C", "imperial") == "62 mph at 190 °F"
    assert in_units("100 km/h at 88 °C", "metric") == "100 km/h at 88 °C"
    assert in_units("code P0300, 5 kmX", "imperial") == "code P0300, 5 kmX"
    assert kept_as(None, "km", "mi") is None
    assert asked_in("V", "imperial") == "V"
