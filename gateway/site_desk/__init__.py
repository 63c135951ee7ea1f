"""The site file as people change it on the page: checked, proposed by one, approved by another, kept as it was."""
