"""Addresses of the quality lead's pages: importing the page modules puts their views on the blueprint."""

from webapp.trace import chart_pages, episode_pages, furnace_pages, ribbon_pages
from webapp.trace.blueprint import bp

__all__ = ["bp", "chart_pages", "episode_pages", "furnace_pages", "ribbon_pages"]
