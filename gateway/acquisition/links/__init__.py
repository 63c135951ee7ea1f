"""The ways to instruments: bytes, frames and whose an answer is."""
