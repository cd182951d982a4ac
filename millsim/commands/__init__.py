"""The command line: one file a command, no physics and no wording."""
