"""One module per topic, each with a ``router`` that :func:`app.api.application.create_app` finds by itself."""
