"""The plant of the web tests, for checks that go through its pages."""

from tests.webapp.conftest import app, booth, client, plant, signed_in  # noqa: F401
