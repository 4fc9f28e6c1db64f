"""The page at the side of the car: a face over the casebook, with no rule of its own.

app      the application: wiring, headers, errors as sentences
guard    who may write from where, and how much
desk     casebook, knowledge and a small store of weighings, shared by all pages
pages    what is read        actions  what is written        api  the same as JSON
settings what the shop and the device say once      measures  its units
language which words      render  templates -> the answer
forms    form fields -> an event        views  a weighed case -> what a page shows
"""
