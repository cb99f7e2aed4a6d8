"""Tables for other programs: CSV that no spreadsheet takes for a formula, and Parquet."""
