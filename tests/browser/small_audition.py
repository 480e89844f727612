"""A small audition set up by requests: one scale, six students, two adjudicators; declared and drawn, no take yet."""

from dataclasses import dataclass
from typing import Any

import httpx

LEADER = "Ada Lindqvist"
PASSWORD = "copper violet lantern"
STUDENTS = ("Wren Castellanos", "Dashiell Moy", "Ἄννα Παπαδάκη", "Юлия Орлова", "Sena Yıldız", "Theo Blom-Ruiz")
ADJUDICATORS = ("Lech Nowak", "Priya Raman")


@dataclass(frozen=True)
class Drawn:
    """What was set up."""

    audition_id: str
    round_id: str
    piece_id: str
    cookies: list[dict[str, str]]  # of the signed-in leader, for ``BrowserContext.add_cookies``
    links: dict[str, str]  # join links: "proctor", and adjudicators by letter


def set_up(
    url: str,
    setup_secret: str,
    students: tuple[str, ...] = STUDENTS,
    adjudicators: tuple[str, ...] = ADJUDICATORS,
    *,
    untyped: bool = False,
    **settings: Any,
) -> Drawn:
    """Set up and draw on the server at ``url``; ``settings`` change the audition, ``untyped`` leaves notation out."""
    with httpx.Client(base_url=url, timeout=60) as client:

        def ask(method: str, path: str, **options: Any) -> Any:
            reply = client.request(method, f"/api{path}", **options)
            assert reply.is_success, f"{method} {path}: {reply.status_code} {reply.text}"
            return reply.json()

        person = {"name": LEADER, "password": PASSWORD}
        if ask("GET", "/session")["needs_setup"]:
            ask("POST", "/setup", json={"setup_token": setup_secret, **person})
        else:
            ask("POST", "/sign-in", json=person)
        audition = ask("POST", "/auditions", json={"name": "Spring mock audition", "held_on": "2026-04-18", **settings})
        own = f"/auditions/{audition['id']}"
        recipe = {"kind": "scale", "tonic": "F", "mode": "major", "octaves": 1, "rhythm": "quarters", "tempo_bpm": 90}
        scale = {"recipe": {**recipe, "instrument": "clarinet-bb"}, "title": "F major scale"}
        by_title = {"title": "Étude 12, blue book", "instrument": "clarinet-bb"}
        way, wanted = ("untyped", by_title) if untyped else ("generated", scale)
        piece = ask("POST", f"{own}/pieces/{way}", json=wanted)
        for name in students:
            ask("POST", f"{own}/roster", json={"name": name, "instrument": "clarinet-bb", "consent_on": "2026-03-01"})
        panel = [ask("POST", f"{own}/adjudicators", json={"name": name}) for name in adjudicators]
        ask("POST", f"{own}/rule/declare")
        made = ask("POST", f"{own}/rounds", json={"name": "First round", "kind": "first", "seats": 1})
        ask("POST", f"/rounds/{made['id']}/commit")
        ask("POST", f"/rounds/{made['id']}/draw")
        links = {one["letter"]: ask("POST", f"/adjudicators/{one['id']}/link")["url"] for one in panel}
        links["proctor"] = ask("POST", f"{own}/proctor-link")["url"]
        cookies = [{"name": c.name, "value": c.value or "", "url": url} for c in client.cookies.jar]
        return Drawn(audition["id"], made["id"], piece["id"], cookies, links)
