"""The page for the phone: what hangs where, how the air is, what to do; and the forms.

It runs in a process of its own (`server`); the monitor only starts and answers it (`house`).
"""
