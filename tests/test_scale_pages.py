"""The benchmark of pages forgets no list: every route that may be asked for is measured, or gives no list."""

from pathlib import Path

from app.api.application import create_app
from app.settings import Settings
from benchmarks.scale import pages


def test_every_list_is_measured(tmp_path: Path) -> None:
    app = create_app(Settings(data_dir=tmp_path))
    assert pages.not_measured(app) == []
    known = {route.path for route in pages.routes_of(app)}
    assert len(known) > 60
    assert {page.route for page in pages.PAGES} <= known
