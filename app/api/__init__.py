"""HTTP only: routes, who may call them, error mapping, static files."""
