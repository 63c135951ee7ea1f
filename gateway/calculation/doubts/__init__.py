"""Readings against time and against each other: what each is doubted for, and until when."""
