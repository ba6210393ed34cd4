"""The page and the HTTP service: faces of the same road that the command line has, with no logic of their own."""
