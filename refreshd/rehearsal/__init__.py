"""The rehearsal: the whole job in two minutes on invented drives, with the real verbs.

It invents what the world would bring (drives, years, damage, a cut) and tells what happens;
it decides nothing and says nothing about the job that the real verbs did not say.
"""
