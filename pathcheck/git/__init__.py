"""What the version control program tells of a fleet's files; it is only asked, and nothing is touched."""
