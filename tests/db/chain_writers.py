"""What the writing processes of these tests run: importable, so that they can be spawned."""

from app.db.database import Database
from app.domain.actor import Actor
from app.services import custody

ACTOR = Actor("leader", "0" * 32)


def append(url: str, chain: str, subject: str, count: int) -> None:
    database = Database(url)
    for n in range(count):
        database.write(lambda s, n=n: custody.record(s, chain, ACTOR, "counted", subject, {"n": n}).seq)
    database.close()
