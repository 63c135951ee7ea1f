"""The section `account` of the site file: days, transfers, balances."""
