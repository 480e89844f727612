"""Putting the server together: resources, routes, errors, guards, screens."""

import importlib
import pkgutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import Route
from starlette.staticfiles import StaticFiles

from app.api import errors, routes
from app.api.doorway import Doorway, NoSuchAddress, UploadGate
from app.api.guards import BodyCap, SecurityHeaders
from app.api.metrics import Metrics
from app.api.resources import Resources
from app.api.screens import WORKER, ScreenFiles
from app.db import schema
from app.db.database import Database
from app.packaged import packaged_folder
from app.services.intake import MAX_TAKE_BYTES
from app.services.storing import open_store
from app.settings import Settings

FORM_BYTES = 2**20  # our choice: what surrounds a recording in its form
WITH_RECORDINGS = ("/api/takes", "/api/practice-takes")


def create_app(settings: Settings) -> FastAPI:
    """A server for ``settings``. Its lifespan brings the database up to date, opens it, and closes it at the end."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        schema.upgrade(settings.url)
        database = Database(settings.url)
        app.state.resources = Resources(settings, database, open_store(settings))
        try:
            yield
        finally:
            database.close()

    app = FastAPI(
        title="Fairhearing",
        description="Blind mock auditions, from the draw to the comment sheet.",
        lifespan=lifespan,
        openapi_url="/api/openapi.json",
        docs_url=None,  # the interactive pages load scripts from elsewhere, which the policy forbids
        redoc_url=None,
    )
    errors.install(app)
    # Every module of app.api.routes carries one router: a new topic is a new file, nothing to register. Its routes go
    # in as they are: including the router would build all of them once more during the first requests.
    known: list[APIRoute] = []
    for found in sorted(pkgutil.iter_modules(routes.__path__), key=lambda module: module.name):
        router = importlib.import_module(f"{routes.__name__}.{found.name}").router
        app.router.routes.extend(router.routes)
        known += [route for route in router.routes if isinstance(route, APIRoute)]
    nothing = NoSuchAddress(known)
    for address in ("/api/{rest:path}", "/healthz"):
        app.router.routes.append(Route(address, nothing, include_in_schema=False))
    frontend = packaged_folder("frontend")
    app.router.routes.append(Route(f"/{WORKER}", ScreenFiles(frontend).answer, include_in_schema=False))
    app.mount("/", StaticFiles(directory=frontend, html=True), name="screens")
    app.add_middleware(BodyCap, larger=[(address, MAX_TAKE_BYTES + FORM_BYTES) for address in WITH_RECORDINGS])
    app.add_middleware(Doorway, routes=known, gate=UploadGate())
    app.state.metrics = Metrics()
    app.add_middleware(SecurityHeaders, metrics=app.state.metrics)
    return app
