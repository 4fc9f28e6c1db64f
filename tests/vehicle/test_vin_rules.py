"""VIN rules against worked examples that others published."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.errors import RequestError
from firstcause.vehicle import BadVinCharacter, Vin, WrongVinLength

PUBLIC = Path(__file__).parents[1] / "data" / "vins" / "vins_public.csv"


def test_the_rule_s_own_worked_example():
    """49 CFR part 565, sample table: 1G4AH59H?5G118341, sum 411 = 37 * 11 + 4, so position 9 is 4."""
    vin = Vin("1G4AH59H45G118341")

    assert vin.computed_check_digit == "4"
    assert vin.check_digit == "right"


def test_the_regulator_s_guide():
    """NHTSA guide for new manufacturers, p. 18: 1J9RP1A36A1644345, sum 314, check digit 6, model year 2010."""
    vin = Vin("1J9RP1A36A1644345")

    assert vin.check_digit == "right"
    assert vin.model_years(light_vehicle=True) == (2010,)
    assert vin.model_years() == (1980, 2010)


@pytest.mark.parametrize(("text", "digit"), [("1M8GDM9AXKP042788", "X"), ("11111111111111111", "1")])
def test_widely_published_self_tests(text, digit):
    """Widely published (from memory), sums recomputed by hand: 351 = 31 * 11 + 10 and 89 = 8 * 11 + 1."""
    assert Vin(text).computed_check_digit == digit
    assert Vin(text).check_digit == "right"


@pytest.mark.parametrize("row", list(csv.DictReader(PUBLIC.read_text().splitlines())), ids=lambda row: row["vin"])
def test_public_vins(row):
    """Tests of PyPI package pyvin 0.0.2 (MIT): nine VINs, one of them with a check digit that should be 4."""
    vin = Vin(row["vin"])
    matches = vin.text[8] == vin.computed_check_digit

    assert matches == (row["check_digit"] == "valid")
    if not matches:
        assert f"should be {vin.computed_check_digit}" in row["check_digit"]
    if vin.text[0] in "12345":
        assert vin.check_digit == ("right" if matches else "wrong")
    else:
        assert vin.check_digit == "not-applicable"


def test_one_wrong_character_is_noticed_where_a_check_digit_is_due():
    """49 CFR part 565: the point of the check digit."""
    assert Vin("1G4AH59H45G118342").check_digit == "wrong"


def test_a_european_vin_without_check_digit_is_not_called_wrong():
    """ISO 3779 does not require a check digit (from memory); the VIN is that of the recorded drive."""
    vin = Vin("TMBJP7NX5NY000000")

    assert vin.check_digit == "not-applicable"
    assert (vin.wmi, vin.vds, vin.vis) == ("TMB", "JP7NX5", "NY000000")


@pytest.mark.parametrize(
    ("first", "region"),
    [
        ("A", "Africa"),
        ("H", "Africa"),
        ("J", "Asia"),
        ("R", "Asia"),
        ("S", "Europe"),
        ("Z", "Europe"),
        ("1", "North America"),
        ("5", "North America"),
        ("6", "Oceania"),
        ("7", "Oceania"),
        ("8", "South America"),
        ("9", "South America"),
        ("0", None),
    ],
)
def test_regions(first, region):
    """ISO 3780 regions by first character (from memory)."""
    assert Vin(first + "1" * 16).region == region


@pytest.mark.parametrize(
    ("code", "years"),
    [
        ("A", (1980, 2010)),
        ("Y", (2000, 2030)),
        ("1", (2001, 2031)),
        ("9", (2009, 2039)),
        ("U", ()),
        ("Z", ()),
        ("0", ()),
    ],
)
def test_model_year_codes_keep_their_ambiguity(code, years):
    """49 CFR 565.15 Table VII, 30-year cycle (from memory)."""
    assert Vin("WAA111111" + code + "1111111").model_years() == years
    assert Vin("WAA111111" + code + "1111111").model_years(light_vehicle=True) == years


@pytest.mark.parametrize(("seventh", "year"), [("3", 1995), ("B", 2025)])
def test_position_7_settles_the_year_of_a_light_north_american_vehicle(seventh, year):
    """49 CFR 565.15(d)(1): numeric 1980–2009, alphabetic 2010–2039 (numbers from memory)."""
    vin = Vin("1AA111" + seventh + "11S1111111")

    assert vin.model_years(light_vehicle=True) == (year,)
    assert vin.model_years() == (1995, 2025)


@pytest.mark.parametrize(("letter", "instead"), [("I", "1"), ("O", "0"), ("Q", "0"), ("*", None), ("É", None)])
def test_letters_that_no_vin_has(letter, instead):
    """49 CFR 565.13: no I, O, Q (from memory)."""
    with pytest.raises(BadVinCharacter, match="at position 5 is not used in VINs") as caught:
        Vin("1G4A" + letter + "59H45G118341")

    assert isinstance(caught.value, RequestError)
    assert (caught.value.position, caught.value.instead) == (5, instead)


@pytest.mark.parametrize("text", ["", "1G4AH59H45G11834", "1G4AH59H45G1183411"])
def test_length(text):
    """17 characters, ISO 3779."""
    with pytest.raises(WrongVinLength, match=f"it has {len(text)} characters where 17 are due"):
        Vin(text)


def test_typed_text_is_tidied_but_not_guessed():
    """Ours: blanks, dashes and small letters are no error; a letter O still is."""
    assert Vin.read(" 1g4ah59h4 5g-118341\n") == Vin("1G4AH59H45G118341")
    with pytest.raises(BadVinCharacter):
        Vin.read("1g4ah59h45go18341")


@given(st.text("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", min_size=17, max_size=17))
def test_putting_the_computed_digit_in_place_makes_it_right(text):
    """Property: position 9 has weight 0, so its own content does not matter (49 CFR part 565)."""
    digit = Vin(text).computed_check_digit
    repaired = Vin(text[:8] + digit + text[9:])

    assert repaired.computed_check_digit == digit
    assert repaired.check_digit in ("right", "not-applicable")
