"""Tests of a season of sessions."""
