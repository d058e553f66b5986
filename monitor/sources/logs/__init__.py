"""Logs in files: CSV, Parquet, Arrow."""
