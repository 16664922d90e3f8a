"""HTML frame, charts, tables and the report folder; knows no job."""
