"""Runs the examples in docstrings and every Python block of the documentation as tests."""

import os

from sybil import Sybil
from sybil.parsers.markdown import CodeBlockParser, PythonCodeBlockParser, SkipParser
from sybil.parsers.rest import DocTestParser

# No test may find, or leave, a recipe in the library of whoever runs it; tests of the library name a folder.
os.environ["DEADSTICK_LIBRARY"] = ""


def _not_to_be_run(language: str) -> CodeBlockParser:
    """Blocks in these languages show files and commands; other tests run the commands."""
    return CodeBlockParser(language, evaluator=lambda _example: None)


_markdown = Sybil(
    parsers=[
        PythonCodeBlockParser(),
        SkipParser(),
        *(_not_to_be_run(language) for language in ("sh", "text", "toml", "json", "sql")),
    ],
    patterns=["*.md"],
)
_docstrings = Sybil(parsers=[DocTestParser()], patterns=["*.py"], path="src")

pytest_collect_file = (_markdown + _docstrings).pytest()
