"""The stages of a job, a file each. Each reads files, calls a room and writes files; none reaches back."""
