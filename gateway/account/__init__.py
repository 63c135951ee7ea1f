"""Who owes what: transfers and their tickets, amounts of the other side, the close of a day, and how all that adds up.

Pure: what is kept comes in, what is to be kept goes out; `gateway/desk` has it in the daemon's hands.
"""
