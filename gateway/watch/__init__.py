"""How a tank moves and what is wrong with it. Pure folds: state, record, now -> state, events."""
