"""A round that students hand in from home, and their links to it."""

from collections.abc import Callable
from dataclasses import dataclass

import httpx
from small_audition import Drawn
from thread_server import Server

DUE = {"due": "2098-03-30T18:00", "zone": "Asia/Kathmandu", "grace_min": 15, "per_candidate": None}


@dataclass
class Home:
    """The round, the leader's way to the server, and its candidates by name."""

    round_id: str
    leader: Callable[..., httpx.Response]
    candidates: dict[str, str]

    def link(self, name: str) -> str:
        """A new link of this student, as a path."""
        url = self.leader("POST", f"/candidates/{self.candidates[name]}/hand-in-link").json()["url"]
        return "/hand-in.html#" + str(url).partition("#")[2]


def from_home(server: Server, drawn: Drawn) -> Home:
    """A second round of the audition, drawn and open for handing in."""
    cookies = {c["name"]: c["value"] for c in drawn.cookies}

    def ask(method: str, path: str, **options: object) -> httpx.Response:
        with httpx.Client(base_url=server.url, cookies=cookies, headers={"Origin": server.url}, timeout=60) as client:
            reply = client.request(method, f"/api{path}", **options)  # type: ignore[arg-type]
        assert reply.is_success, reply.text
        return reply

    made = ask("POST", f"/auditions/{drawn.audition_id}/rounds", json={"name": "From home", "kind": "final"}).json()
    ask("PUT", f"/rounds/{made['id']}/handing-in", json=DUE)
    ask("POST", f"/rounds/{made['id']}/commit")
    ask("POST", f"/rounds/{made['id']}/draw")
    lines = ask("GET", f"/rounds/{made['id']}/handing-in").json()["lines"]
    return Home(made["id"], ask, {line["name"]: line["candidate_id"] for line in lines})
