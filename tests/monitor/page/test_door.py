"""Where the page is served, under which names, and which tokens are none."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.monitor.page.door import (
    PORT,
    Address,
    Door,
    address,
    checked_name,
    checked_token,
    new_token,
)
from rig.monitor.secrets import Hidden


@pytest.mark.parametrize(
    ("text", "means", "loopback"),
    [
        ("127.0.0.1", Address("127.0.0.1", PORT), True),
        ("127.0.0.1:0", Address("127.0.0.1", 0), True),
        ("localhost:9000", Address("localhost", 9000), True),
        (":9000", Address("127.0.0.1", 9000), True),
        ("::1", Address("::1", PORT), True),
        ("[::1]:9000", Address("::1", 9000), True),
        ("0.0.0.0", Address("0.0.0.0", PORT), False),
        ("192.0.2.7:9000", Address("192.0.2.7", 9000), False),
        ("::", Address("::", PORT), False),
        ("rig.example", Address("rig.example", PORT), False),
    ],
)
def test_an_address_is_read_as_it_is_written(text, means, loopback):
    assert address(text) == means
    assert address(text).is_loopback is loopback


@pytest.mark.parametrize(
    "text", ["", "127.0.0.1:65536", "http://127.0.0.1/", "a b", "[::1", "::1]:2"]
)
def test_what_is_no_address_is_told_in_one_line(text):
    with pytest.raises(InputError, match=r"--page-address: .* is no address") as told:
        address(text)
    assert "\n" not in str(told.value)


@given(st.text(max_size=30))
def test_any_text_is_an_address_or_refused(text):
    with contextlib.suppress(InputError):
        assert address(text).port <= 65535


def test_elsewhere_it_answers_to_addresses_and_to_names_that_were_given():
    door = Door(Address("0.0.0.0", PORT), new_token(), ["Page.example."])
    for name in (
        "192.0.2.7:8712",
        "[2001:db8::7]",
        "page.example",
        "PAGE.EXAMPLE:443",
        "localhost",
    ):
        assert door.answers_to(name), name
    for name in ("rebound.example", "xpage.example", "page.example/", "page.example:x", ""):
        assert not door.answers_to(name), name


@pytest.mark.parametrize("name", ["page.example", "page.example:8443", "PAGE.EXAMPLE.:443"])
def test_a_name_is_taken_with_or_without_its_port(name):
    door = Door(Address("127.0.0.1", PORT), new_token(), [checked_name(name)])
    assert door.answers_to("page.example")
    assert door.answers_to("page.example:8443")


@pytest.mark.parametrize("name", ["", "https://page.example/", "page.example/", "a b"])
def test_what_no_request_can_ask_for_is_no_name(name):
    with pytest.raises(InputError, match=r"--page-name: .* is no name of a computer") as told:
        checked_name(name)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("text", ["[::1]:9000", "127.0.0.1:9000", "rig.example:9000"])
def test_an_address_is_written_as_it_is_read(text):
    at = address(text)
    assert at.with_port(at.port) == text
    assert address(at.with_port(9001)).port == 9001


@given(st.text(max_size=60))
def test_any_field_names_it_or_not_and_opens_nothing(text):
    door = Door(Address("127.0.0.1", PORT), Hidden("invented-0123456789-abcdef"))
    assert not door.answers_to(f"rebound.example{text}")
    assert not door.opens(text)
    assert not door.opens(f"Bearer {text}")
    assert not door.opens(f"Basic {text}")


def test_a_token_that_is_made_is_one_that_may_be_used_and_none_is_made_twice():
    made = {new_token().reveal() for _ in range(100)}
    assert len(made) == 100
    for token in made:
        assert checked_token(Hidden(token), "made here").reveal() == token


@pytest.mark.parametrize(
    "token", ["short", "with a space in it all the time", "Umlaut-ä-0123456789-abc"]
)
def test_a_token_that_is_guessed_or_cannot_be_sent_is_refused_unseen(token):
    with pytest.raises(InputError, match="a token has at least 20 signs") as told:
        checked_token(Hidden(token), "token.txt")
    assert token not in str(told.value)
