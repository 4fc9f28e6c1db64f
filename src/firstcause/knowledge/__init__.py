"""What the trade knows, as data: faults, tests, repairs, parts, questions and cautions, each number with its ground.

schema        what one file may say
base          all entries of a pack as one value, with the hash of their files
check         every problem of a pack at once (complaints, pack and cross_checks are its parts)
schema_files  the same schema for editors, beside the data
data/         the packs: one file, one entry
"""
