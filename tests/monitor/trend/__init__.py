"""Tests of a season of logs."""
