"""Reports: charts, tables, the page, and what the terminal shows."""
