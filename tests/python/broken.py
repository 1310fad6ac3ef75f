"""The broken files of the docs, for the tests."""

from page_maker import page_maker

files = page_maker("make_broken_files")
