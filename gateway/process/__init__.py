"""The process and the machine around it: log, signals, descriptors, tasks, service manager."""
