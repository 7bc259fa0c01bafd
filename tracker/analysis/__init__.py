"""What the numbers say: comparing, grouping, agreement, a winter. Works on tables only."""
