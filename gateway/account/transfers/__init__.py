"""Transfers: what is planned, what moves, what has come to rest, and the numbered tickets that are left of it.

A fold: `follow` has every sheet, `act` what people ask, `tick` the time. Each gives the book as it would be and what is
to be kept; the new book is taken once that is kept, and not before.
"""
