"""What many tests share."""

import signal

import pytest


@pytest.fixture
def hears_ctrl_c():
    """Let the processes that a test starts hear Ctrl-C: a job in the background, and all below it, are started deaf."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
