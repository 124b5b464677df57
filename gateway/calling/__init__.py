"""Who is called, when, and until when: values in, values out, replayable on any clock."""
