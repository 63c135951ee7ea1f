"""What somebody signs or files: tables over what the ledger keeps, and the forms they are written in.

The tables are pure and hold what is shown, rounded already; `csv_form`, `xlsx_form` and `paper.pdf_form` write them.
The libraries that write are imported where a report is written and not before: the daemon does not carry them.
"""
