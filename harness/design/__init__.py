"""The check on paper: findings from the device file alone, before anything is wound or powered."""
