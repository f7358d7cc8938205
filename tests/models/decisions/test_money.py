import pytest

from models.base.errors import BadInput
from models.decisions.money import Money, asked_for, minor_digits, one_currency


def test_amounts_of_one_currency_add_up_and_print_with_the_currency_s_own_decimals():
    assert Money(10, "EUR") + Money(2.5, "EUR") - Money(0.5, "EUR") == Money(12, "EUR")
    assert str(Money(1234.5, "EUR") * 2) == "EUR 2,469"
    assert str(Money(1234.4, "JPY")) == "JPY 1,234"
    assert Money(1, "EUR") < Money(2, "EUR")


@pytest.mark.parametrize("combine", [lambda a, b: a + b, lambda a, b: a - b, lambda a, b: a < b])
def test_two_currencies_are_never_mixed(combine):
    with pytest.raises(BadInput, match=r"mixes EUR and NOK; no rate of exchange is assumed"):
        combine(Money(1, "EUR"), Money(1, "NOK"))


@pytest.mark.parametrize("code", ["EURO", "eur", "XXX", "XAU", "QQQ", "€", ""])
def test_an_unknown_currency_is_named_in_plain_words(code):
    with pytest.raises(BadInput, match="is not a currency of ISO 4217"):
        minor_digits(code)


def test_no_amount_is_invented():
    with pytest.raises(BadInput) as caught:
        asked_for({"stranding": (None, "It decides."), "day": (3, ""), "other": (None, "So does it.")}, 2)
    assert [(p.where, p.what) for p in caught.value.problems] == [
        ("costs.stranding", "is not given. It decides."),
        ("costs.other", "is not given. So does it."),
    ]
    for wrong in (-1.0, float("nan"), [1.0, 2.0, 3.0]):
        with pytest.raises(BadInput):
            asked_for({"stranding": (wrong, "")}, 2)
    assert asked_for({"stranding": (0, "")}, 2)["stranding"].tolist() == [0.0, 0.0]


def test_an_amount_that_is_no_number_is_refused():
    with pytest.raises(BadInput):
        Money(float("inf"), "EUR")
    assert one_currency(["EUR", "EUR"]) == "EUR"


@pytest.mark.parametrize(
    ("amount", "written"),
    [(47.352, "EUR 47.4"), (4.7352, "EUR 4.74"), (1701.73, "EUR 1,702"), (0.0, "EUR 0"), (-12.345, "EUR -12.3")],
)
def test_an_expected_amount_has_three_figures(amount, written):
    assert Money(amount, "EUR").rough() == written
