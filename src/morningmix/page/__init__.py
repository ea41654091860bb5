"""The whole job on one page: a server for this computer alone, its views, and what the browser runs."""
