"""What others have seen: public recalls, service bulletins, complaints and investigations; does one apply to this car.

records    one published record, and why a line could not be read as one
layouts    the regulator's flat files and the plain table, field by field
reading    a file becomes records and damaged lines, with the place where to go on
store      the local collection: taken in without doubling, resumable, searched by word and component
applies    applies, nearly applies, does not: with the reason, and how far it may move the belief
"""
