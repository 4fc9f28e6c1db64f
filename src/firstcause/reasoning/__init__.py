"""From what was seen to what is believed, and to the step that gets to a proven repair cheapest.

history     what happened to a car, in order: the engine's only input besides the knowledge base
fitment     which part sits where at a moment, and what has become of each fault by then
counts      counts as counts: strengths, beta-binomial
network     binary causes with noisy-OR links, findings as noisy-MAX: the compiled model
compiled    knowledge + history -> network
terms       findings and links as signed sums
listing     lists of configurations, grown towards what carries weight
blocks      the likelihood of one block of private causes
exact       the posterior
theory      expected cost of repair between its bounds, when to ask: the published rules over many beliefs
ranking     looks, repairs and handing on, priced against each other: arrays, no car
steps       everything one could do next, with its price
aside       what will not be done, what must wait for what it would spoil
looks       what a test, a reading or a swap could show, as arithmetic
bills       what repairs cost and cure on this car
spending    what was spent, and what the owner's limit leaves
choice      which step first
lookahead   thinking one step further, with bounds
inthought   the car after an outcome, for the look-ahead
because     why a suspect stands where it stands
change_of_mind  what one finding would make it fall or settle it, and what another suspect would need
saying      how a probability is said
verdict     whether a case may be called cured
"""
