"""The running thing: settings, worker, timetable, commands."""
