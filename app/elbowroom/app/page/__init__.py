"""The page: a job in the browser, served from this machine to this machine only."""

from elbowroom.app.page.server import serve

__all__ = ["serve"]
