"""History judged by other rules: on files, on the database, and on archives spread over machines; nothing is told."""
