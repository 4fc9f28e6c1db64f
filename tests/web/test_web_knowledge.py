"""The knowledge on the page: the packs, a search that needs no script, and one fault with both sides."""

from __future__ import annotations

import pytest

from firstcause.knowledge.base import load, pack_names


def test_the_list_of_cars_leads_to_the_knowledge_and_that_to_every_pack(shop) -> None:
    assert 'href="/knowledge"' in shop.client.get("/").text
    page = shop.client.get("/knowledge").text
    assert all(f'href="/knowledge/{pack}"' in page for pack in pack_names())


def test_a_search_leaves_the_faults_in_which_it_stands(shop) -> None:
    every, some = (shop.client.get(f"/knowledge/misfire{q}").text for q in ("", "?q=leak-down+tight"))
    assert all(f'href="/knowledge/misfire/{fault}"' in every for fault in load().faults)
    assert shop.client.get("/knowledge/misfire?q=burnt+valve").text.count('class="kind"') < 10
    assert 'href="/knowledge/misfire/coil-dead"' not in some
    none = shop.client.get("/knowledge/misfire", params={"q": "<b>xylophone"}).text
    assert "0 of" in none
    assert "<b>xylophone" not in none


@pytest.mark.parametrize("pack", pack_names())
def test_each_fault_has_a_page_with_both_sides(shop, pack) -> None:
    for fault in load(pack).faults.values():
        answer = shop.client.get(f"/knowledge/{pack}/{fault.id}")
        assert answer.status_code == 200, fault.id
        assert "Speaks for it" in answer.text
        assert "Speaks against it" in answer.text


def test_the_page_of_a_fault_shows_decibans_and_leads_to_its_cause(shop) -> None:
    page = shop.client.get("/knowledge/misfire/exhaust-valve-burnt").text
    assert "-17 dB" in page
    assert 'href="/knowledge/misfire/valve-clearance-tight"' in page


@pytest.mark.parametrize("address", ["/knowledge/brakes", "/knowledge/misfire/no-such-fault"])
def test_what_is_not_there_is_said(shop, address) -> None:
    answer = shop.client.get(address)
    assert answer.status_code == 404
    assert "There is no such page" in answer.text


def test_a_suspect_of_a_case_leads_to_what_is_known_of_it(shop) -> None:
    page = shop.client.get(f"/cases/{shop.misfiring()}/suspect", params={"cause": "coil-dead@coil-3"}).text
    assert 'href="/knowledge/misfire/coil-dead"' in page
    assert "Speaks against it" in shop.client.get("/knowledge/misfire/coil-dead").text
