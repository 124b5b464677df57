"""What the processes of one site say to each other over the local socket."""
