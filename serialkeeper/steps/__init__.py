"""The steps of the job, one room a file. A step reads, decides by a rule, writes entries."""
