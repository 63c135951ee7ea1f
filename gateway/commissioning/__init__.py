"""What the technician at the panel needs: decodings, matches, verdicts. Reads only; no stage knows of it."""
