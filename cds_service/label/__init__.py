"""The plan for people: plain text now; labels and leaflets are made here too."""
