"""What people do while the gateway runs: typed actions, checked as the site file is, kept with who did what and why."""
