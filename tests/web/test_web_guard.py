"""Hostile requests: other sites, other names, files of wrong kind and size, paths that try to climb."""

from __future__ import annotations

import re

import httpx
import pytest

from firstcause.casebook.events import Noted
from firstcause.web.guard import MOST_BYTES, MOST_PHOTO_BYTES, host_of, image_type

NOTE = {"kind": "noted", "words": "hm"}
PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 40


def events(shop, case_id: str) -> int:
    return len(shop.desk.store.case(case_id).events)


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "http://elsewhere.test"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "http://elsewhere.test", "Sec-Fetch-Site": "same-origin"},
    ],
)
@pytest.mark.parametrize("way", ["form", "json"])
def test_another_site_cannot_write(shop, headers, way):
    """Source: Fetch Metadata Request Headers (W3C) and RFC 6454 say what a browser tells of the page that sends."""
    case_id = shop.take_in()
    if way == "form":
        answer = shop.client.post(f"/cases/{case_id}/record", data=NOTE, headers=headers)
    else:
        answer = shop.client.post(f"/api/cases/{case_id}/events", json={"body": NOTE}, headers=headers)

    assert answer.status_code == 403
    assert "Nothing was written" in answer.text
    assert events(shop, case_id) == 1


@pytest.mark.parametrize("headers", [{}, {"Sec-Fetch-Site": "same-origin"}])
def test_our_own_page_and_plain_programs_can(shop, headers):
    case_id = shop.take_in()
    if headers:
        headers = {**headers, "Origin": shop.base}

    answer = shop.client.post(f"/cases/{case_id}/record", data=NOTE, headers=headers)

    assert answer.status_code == 303
    assert events(shop, case_id) == 2


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_under_a_foreign_name_nothing_is_served(shop, method):
    """A page of another site whose name suddenly points to this machine (DNS rebinding) has the wrong Host."""
    case_id = shop.take_in()
    answer = shop.client.request(method, f"/cases/{case_id}/record", headers={"Host": "elsewhere.test"}, data=NOTE)

    assert answer.status_code == 421
    assert "Tessin" not in answer.text
    assert events(shop, case_id) == 1


@pytest.mark.parametrize(
    ("host", "name"),
    [("127.0.0.1:80", "127.0.0.1"), ("[::1]:80", "::1"), ("LocalHost", "localhost"), ("", ""), ("[", "")],
)
def test_the_name_in_a_host_header(host, name):
    assert host_of(host) == name


def test_every_answer_carries_the_strict_headers(shop):
    case_id = shop.take_in()
    for address in ("/", f"/cases/{case_id}/evidence", "/static/page.css", "/nowhere", "/api/cases"):
        headers = shop.client.get(address).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert re.search(r"script-src 'self'(;|$)", policy)
        assert headers["x-content-type-options"] == "nosniff"


def test_no_page_needs_what_the_policy_forbids(shop):
    """No inline style, no inline script, no handler, no address of another host."""
    case_id = shop.misfiring()
    kinds = ["", "found", "counted", "moved", "renewed", "repaired", "told", "snapshot", "agreed", "noted", "drove"]
    pages = ["", "/steps", "/parts", "/evidence", "/roadtest", "/handover", "/closing", "/cylinder/3"]
    addresses = ["/", "/new", *(f"/cases/{case_id}{page}" for page in pages)]
    addresses += [f"/cases/{case_id}/record?kind={kind}" for kind in kinds]
    for address in addresses:
        answer = shop.client.get(address)
        assert answer.status_code == 200, address
        assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*\ssrc=)", answer.text), address
        outside = re.findall(r"(?:src|href|action)=\"(\w+:[^\"]*|//[^\"]*)\"", answer.text)
        assert outside == [], address


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (PNG, "image/png"),
        (b"\xff\xd8\xff\xe0" + b"\0" * 20, "image/jpeg"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "image/webp"),
        (b"RIFF\x10\0\0\0WAVEfmt ", None),
        (b"GIF89a", None),
        (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", None),
        (b"<html>", None),
        (b"", None),
    ],
)
def test_a_photo_is_known_by_its_first_bytes(data, kind):
    """Source: PNG signature (W3C PNG, 5.2), JPEG SOI (ITU-T T.81), WebP container (RFC 9649, 2.3)."""
    assert image_type(data) == kind


def test_a_photo_is_kept_and_given_back_and_cannot_run(shop):
    case_id = shop.take_in()
    sent = {"photo": ("../../etc/plug 3.png", PNG, "text/html")}
    answer = shop.client.post(f"/cases/{case_id}/photos", files=sent, data={"about": "plug 3"})
    assert answer.status_code == 303

    attached = shop.desk.store.case(case_id).attachments[0]
    assert (attached.name, attached.media_type, attached.about) == ("plug 3.png", "image/png", "plug 3")
    back = shop.client.get(f"/cases/{case_id}/files/{attached.sha256}")
    assert back.content == PNG
    assert back.headers["content-type"] == "image/png"
    assert "sandbox" in back.headers["content-security-policy"]


@pytest.mark.parametrize(
    ("address", "field", "data", "status", "words"),
    [
        ("photos", "photo", b"<svg onload='alert(1)'/>", 415, "not a photo"),
        ("photos", "photo", b"", 422, "empty"),
        ("photos", "photo", PNG + b"\0" * MOST_PHOTO_BYTES, 413, "larger than 16 MB"),
        ("photos", "photo", PNG + b"\0" * MOST_BYTES, 413, "larger than 24 MB"),
        ("drives", "log", b"time,rpm\n0,\0\0\0", 415, "not a drive log"),
        ("drives", "log", b"speed\n10\n", 422, "no column is a clock"),
    ],
)
def test_files_of_wrong_kind_or_size_are_refused_with_a_reason(shop, address, field, data, status, words):
    case_id = shop.take_in()
    answer = shop.client.post(f"/cases/{case_id}/{address}", files={field: ("x", data)})

    assert answer.status_code == status
    assert words in answer.text
    assert events(shop, case_id) == 1
    assert not list(shop.desk.store.blobs.folder.rglob("*")) if shop.desk.store.blobs.folder.exists() else True


def test_a_body_that_does_not_say_its_length_is_cut_off(shop):
    case_id = shop.take_in()

    def endless():
        yield b"--b\r\nContent-Disposition: form-data; name=photo; filename=x\r\n\r\n"
        for _ in range(30):
            yield b"\0" * 1_000_000

    kind = {"Content-Type": "multipart/form-data; boundary=b"}
    try:
        answer = shop.client.post(f"/cases/{case_id}/photos", content=endless(), headers=kind)
        assert answer.status_code == 413
    except httpx.WriteError:
        pass  # the server hung up while we were still sending
    assert events(shop, case_id) == 1


@pytest.mark.parametrize(
    "address",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2f..%2fpyproject.toml",
        "/cases/%2e%2e%2f%2e%2e/parts",
        "/cases/{id}/files/..%2f..%2fcasebook.db",
        "/cases/{id}/files/" + "0" * 64,
        "/cases/{id}/papers/..%2fowner.html",
        "/cases/{id}/drives/e1/time.svg",
    ],
)
def test_paths_lead_nowhere_else(shop, address):
    case_id = shop.take_in()
    answer = shop.client.get(address.replace("{id}", case_id))

    assert answer.status_code in (404, 422)
    assert "create_app" not in answer.text
    assert "SQLite" not in answer.text


def test_words_of_a_stranger_stay_words(shop):
    """Whatever is typed is shown as text, in the story, the list and the errors."""
    nasty = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    case_id = shop.take_in(Noted(words=nasty))

    for address in (f"/cases/{case_id}", f"/cases/{case_id}/step?key={nasty[:60]}", f"/cases/{nasty[:20]}"):
        text = shop.client.get(address).text
        assert "<script>alert" not in text
        assert "<img src=x" not in text
    assert "&lt;script&gt;alert(1)" in shop.client.get(f"/cases/{case_id}").text
