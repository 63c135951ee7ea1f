"""When which instrument is asked, and what has come of it."""
