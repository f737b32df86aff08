"""Addresses of the quality lead's pages: importing the page modules puts their views on the blueprint."""

from webapp.trace import episode_pages, ribbon_pages
from webapp.trace.blueprint import bp

__all__ = ["bp", "episode_pages", "ribbon_pages"]
