"""The accounts in the daemon's hands: sheets and acts to the folds of `gateway/account`, and what they give is kept."""
