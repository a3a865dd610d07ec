"""Signatures: the published vectors, and nothing but what was signed for its topic."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.monitor.mqtt.signing import (
    SIGN,
    as_payload,
    canonical,
    digest,
    instant,
    key_of,
    make_request,
    signature,
    signed,
    verify,
)
from rig.protocol.lab import Secret

KEY = b"invented for this test, thirty-two or more"
TOPIC = "nightrig/v1/lab/frame-1/requests"
AT = datetime(2026, 1, 31, 2, 3, 4, 567_000, tzinfo=UTC)

RFC_4231 = {
    "1": (
        b"\x0b" * 20,
        b"Hi There",
        "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
    ),
    "2": (
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
    "3": (
        b"\xaa" * 20,
        b"\xdd" * 50,
        "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe",
    ),
    "4": (
        bytes(range(1, 26)),
        b"\xcd" * 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
    ),
    "5, truncated": (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    "6": (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    "7": (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. "
        b"The key needs to be hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
}
"""RFC 4231, sections 4.2 to 4.8: key, data and HMAC-SHA-256 of each test case."""


@pytest.mark.parametrize(("key", "data", "right"), RFC_4231.values(), ids=RFC_4231)
def test_the_digest_is_that_of_rfc_4231(key, data, right):
    assert digest(key, data)[: len(right)] == right


def test_texts_are_written_as_rfc_8785_writes_them():
    # The text of its sample, sections 3.2.2 and 3.2.3; its numbers and literals are not signed.
    sample = json.loads(r'{"string": "\u20ac$\u000F\u000aA' + r"'\u0042\u0022\u005c\\\"\/" + '"}')
    right = '{"string":"€$\\u000f\\nA' + "'" + 'B\\"\\\\\\\\\\"/"}'
    assert canonical(sample).decode() == right
    assert canonical({"b": 1, "a": "2", "B": "é"}).decode() == '{"B":"é","a":"2","b":1}'


@pytest.mark.parametrize(
    "fields",
    [
        {"a": 1.0},
        {"a": float("nan")},
        {"a": None},
        {"a": True},
        {"a": ["1"]},
        {"a": {"b": "1"}},
        {"a": 2**53},
        {"€": "1"},
        {"a": "\ud800"},
    ],
)
def test_what_has_no_plain_form_is_not_signed_and_never_verified(fields):
    with pytest.raises(ValueError):  # noqa: PT011 - the encoder's own words are as good
        signature(KEY, TOPIC, fields)
    assert not verify(KEY, TOPIC, {**fields, SIGN: "0" * 64})


def test_a_request_is_signed_over_its_topic_and_all_of_its_fields():
    request = make_request(KEY, TOPIC, ask="stop", run="night-1", who="A. Name", text="ö", at=AT)
    assert verify(KEY, TOPIC, request)
    assert verify(KEY, TOPIC, json.loads(as_payload(request)))
    assert request["at_utc"] == "2026-01-31T02:03:04.567Z"
    assert re.fullmatch(r"[0-9a-f]{32}", str(request["nonce"]))
    by_hand = (
        '{"ask":"stop","at_utc":"2026-01-31T02:03:04.567Z","nonce":"NONCE","run":"night-1",'
        '"text":"ö","v":1,"who":"A. Name"}'
    ).replace("NONCE", str(request["nonce"]))
    assert request[SIGN] == digest(KEY, f"{TOPIC}\n{by_hand}".encode())


def test_two_requests_have_nonces_of_their_own():
    made = [make_request(KEY, TOPIC, ask="stop", run="r", who="A", text="", at=AT) for _ in "ab"]
    assert made[0]["nonce"] != made[1]["nonce"]


def test_it_is_nothing_to_another_topic_or_with_another_key():
    request = make_request(KEY, TOPIC, ask="stop", run="night-1", who="A. Name", text="", at=AT)
    for other in ("frame-2/requests", "frame-1/answers"):
        assert not verify(KEY, f"nightrig/v1/lab/{other}", request)
    assert not verify(KEY, "nightrig/v1/labor/frame-1/requests", request)
    assert not verify(KEY[:-1], TOPIC, request)


TEXTS = st.dictionaries(st.sampled_from(["ask", "run", "who", "text", "nonce"]), st.text())


@given(TEXTS, TEXTS)
def test_fields_verify_only_as_they_were_signed(fields, others):
    try:
        made = signed(KEY, TOPIC, fields)
    except UnicodeEncodeError:  # half a surrogate pair
        return
    assert verify(KEY, TOPIC, made)
    assert verify(KEY, TOPIC, dict(reversed(made.items())))
    assert verify(KEY, TOPIC, {**made, **others}) == ({**fields, **others} == fields)


@pytest.mark.parametrize("sign", [None, 1, "", "0" * 64, "é" * 64, "\ud800", b"0" * 64, []])
def test_no_other_sign_is_one(sign):
    made = signed(KEY, TOPIC, {"ask": "stop"})
    assert not verify(KEY, TOPIC, {**made, SIGN: sign})
    assert not verify(KEY, TOPIC, {"ask": "stop"})


def test_an_instant_is_told_in_utc():
    assert instant(AT.astimezone(timezone(timedelta(hours=5, minutes=30)))) == instant(AT)


def test_a_short_secret_is_refused_in_one_line_that_does_not_show_it(tmp_path, monkeypatch):
    # RFC 2104, section 3: keys shorter than the digest (32 bytes) are strongly discouraged.
    file = tmp_path / "requests"
    file.touch(0o600)
    file.write_text("k" * 32 + "\n")
    assert key_of(Secret(file=str(file))) == b"k" * 32
    monkeypatch.setenv("SIGNS", "hunter2 is shört")
    file.write_text("hunter2 is shört\n")
    for secret, where in (
        (Secret(file=str(file)), str(file)),
        (Secret(variable="SIGNS"), "the variable SIGNS"),
    ):
        with pytest.raises(InputError) as refused:
            key_of(secret)
        assert str(refused.value) == (
            f"{where}: this secret has 17 bytes; to sign requests it needs 32 or more; make one "
            "with: openssl rand -hex 32"
        )
