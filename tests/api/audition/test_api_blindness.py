"""No panel learns a name: by the structure of the code, and by visiting everything as an adjudicator."""

import typing

import grimp
import pytest
from crawling import crawl, leaks_of
from pydantic import BaseModel

from app.api.schemas import panel as panel_schemas
from app.api.schemas.envelope import In
from app.domain.ids import new_id

# What adjudicators' requests run through, besides the wiring every request shares.
PANEL_MODULES = (
    "app.api.routes.panel",
    "app.api.schemas.panel",
    "app.services.panel",
    "app.services.panel_music",
    "app.services.hearing",
    "app.services.sheet_books",
    "app.services.sheets_in",
    "app.services.sheet_cells",
    "app.services.sheet_signing",
    "app.services.standing",
    "app.services.progress",
    "app.services.access",
    "app.services.absences",
    "app.services.carrying",
    "app.services.turns",
    "app.services.tabulation",
    "app.services.paper",
    "app.api.schemas.check",
)

# Every field of the panel's output types, and why it can hold no student's name.
PANEL_FIELDS = {
    "audition": "a part of the answer",
    "a4_hz": "a number",
    "adjudicator": "a part of the answer",
    "agreed": "a part of the answer",
    "at_sec": "a number",
    "bar": "a printed bar number",
    "bars": "printed bar numbers",
    "blind_number": "from the draw",
    "bottom": "a number",
    "candidate_id": "random",
    "candidates": "parts of the answer",
    "captions": "the leader's rubric",
    "descriptor": "the leader's rubric",
    "draft": "the adjudicator's own",
    "duration_sec": "a number",
    "from_": "a mark",
    "high": "a mark",
    "id": "random",
    "key": "the leader's rubric",
    "left": "a number",
    "letter": "an adjudicator's letter",
    "levels": "the leader's rubric",
    "low": "a mark",
    "marks": "the adjudicator's own",
    "name": "title of the audition, the round or a caption, written by the leader",
    "note": "the leader's words on the agreed marks of the practice take",
    "peaks": "numbers",
    "piece_id": "random",
    "pieces": "parts of the answer",
    "practice": "a truth value",
    "reason": "the adjudicator's own",
    "remarks": "the adjudicator's own",
    "round": "a part of the answer",
    "right": "a number",
    "rounds": "parts of the answer",
    "rubric": "the leader's rubric",
    "scored_per": "a setting",
    "signature": "a hash",
    "state": "a word of ours",
    "svg": "the printed music, the same for everybody",
    "submitted_at": "when the adjudicator sent the sheet",
    "take_id": "random",
    "restarts": "counts by piece, when that was declared",
    "takes": "parts of the answer",
    "text": "the adjudicator's own",
    "title": "title of a piece",
    "to": "a mark",
    "top": "a number",
    "version": "a number",
    "versions": "the adjudicator's own",
    "waiting": "a sentence of ours",
}
NAMED = {"PanelAuditionOut", "PanelRoundOut", "CaptionOut"}


@pytest.mark.parametrize("module", PANEL_MODULES)
def test_no_chain_of_imports_leads_from_the_panel_to_names(module):
    graph = grimp.build_graph("app")
    assert "app.db.identities" in graph.modules
    assert graph.chain_exists("app.api.routes.roster", "app.db.identities")  # the check can see such chains
    assert graph.find_shortest_chain(module, "app.db.identities") is None


def test_the_panels_output_types_have_no_field_a_name_could_be_in():
    outputs = {
        name: kind
        for name, kind in vars(panel_schemas).items()
        if isinstance(kind, type) and issubclass(kind, BaseModel) and not issubclass(kind, In)
    }
    fields = {field for kind in outputs.values() for field in kind.model_fields}
    assert fields == set(PANEL_FIELDS)
    assert {name for name, kind in outputs.items() if "name" in kind.model_fields} == NAMED
    for name, kind in outputs.items():
        for field, hint in typing.get_type_hints(kind).items():
            assert "Any" not in repr(hint), f"{name}.{field} could hold anything"


@pytest.mark.slow
def test_an_adjudicator_who_visits_everything_finds_no_name(hall, browser, route_table):
    """Before and after its own sheets, before and after opening, with every id in every place of every route."""
    for visitor in (hall.panel["A"], hall.panel["B"], browser()):
        _, leaks = crawl(visitor, hall, route_table)
        assert leaks == []

    for letter, visitor in hall.panel.items():
        shown = visitor.get("/api/panel").json()
        for candidate in shown["candidates"]:
            if candidate["state"] == "recused":
                continue
            base = f"/api/panel/candidates/{candidate['candidate_id']}/sheet"
            marks = {p: dict.fromkeys(("tone", "pitch", "rhythm", "musicianship"), 6) for p in hall.piece_ids}
            remark = {"piece_id": hall.piece_ids[0], "bar": "1", "text": f"steady ({letter})"}
            body = {"version_id": new_id(), "marks": marks, "remarks": [remark]}
            for deed, method in (("draft", "PUT"), ("submit", "POST"), ("correct", "POST")):
                sent = {k: v for k, v in body.items() if deed != "draft" or k != "version_id"}
                if deed == "correct":
                    sent |= {"version_id": new_id(), "reason": "misheard"}
                reply = visitor.request(method, f"{base}/{deed}", json=sent)
                assert reply.status_code == 200, reply.text
                assert leaks_of(reply, hall.secrets) == []
                assert "(A)" not in reply.text or letter == "A"  # nobody else's remark

    answered, leaks = crawl(hall.panel["A"], hall, route_table)
    assert leaks == []
    assert answered > 10  # findings, sheets and playbacks were among them

    opened = hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "nothing is measured here"})
    assert {row["name"] for row in opened.json()["rows"]} == set(hall.entries)
    answered, leaks = crawl(hall.panel["A"], hall, route_table)
    assert leaks == []


def test_the_crawl_would_see_a_name(hall, route_table):
    """The leader, visiting the same addresses without changing anything, meets names in many places."""
    safe = [entry for entry in route_table if entry[0] == "GET"]
    _, leaks = crawl(hall.leader, hall, safe)
    assert any(path.endswith("/roster") for _, path, _ in leaks)
    found = {secret for _, _, secrets in leaks for secret in secrets}
    assert {"Zenobia Quillfeather", "Иван Кларнетов", "Çayır Okulu", "Xylander Thrum"} <= found


def test_a_playback_is_sound_and_nothing_else(hall):
    visitor = hall.panel["A"]
    shown = visitor.get("/api/panel").json()
    take = next(c["takes"][0]["take_id"] for c in shown["candidates"] if c["takes"])
    reply = visitor.get(f"/api/panel/takes/{take}/playback")
    body = reply.content
    assert body[:4] == b"RIFF"
    assert body[12:16] == b"fmt "
    assert body[36:40] == b"data"
    assert len(body) == 44 + int.from_bytes(body[40:44], "little")
    assert not {"last-modified", "etag", "date"} & set(reply.headers)
    assert reply.headers.get("content-disposition", "inline") == "inline"
    part = visitor.get(f"/api/panel/takes/{take}/playback", headers={"Range": "bytes=0-99"})
    assert (part.status_code, part.content) == (206, body[:100])
    beyond = visitor.get(f"/api/panel/takes/{take}/playback", headers={"Range": f"bytes={len(body)}-"})
    assert (beyond.status_code, beyond.json()["error"]["code"]) == (416, "bad_input")


def test_the_panels_order_is_the_draws(hall):
    drawn = [c["blind_number"] for c in sorted(hall.candidates, key=lambda c: c["playing_order"])]
    for visitor in hall.panel.values():
        assert [c["blind_number"] for c in visitor.get("/api/panel").json()["candidates"]] == drawn
