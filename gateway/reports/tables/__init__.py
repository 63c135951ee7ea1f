"""One module for each report: what is kept comes in, a `Report` goes out."""
