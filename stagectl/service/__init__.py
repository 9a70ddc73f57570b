"""The program as a service of systemd's, for the user who installs it.

`unit` says what the service manager reads, `escape` how words stand there (both pure); `files` writes that file and
takes it away, `manager` asks the service manager for the rest. `ahead` has the thread that plays go before those of
other programs, where the user may do so. What the program tells the service manager while it runs: `live/notify.py`.
"""
