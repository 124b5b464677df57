"""One module for each part of a site: what must fit together in it. ``crosscheck`` lists all rules."""
