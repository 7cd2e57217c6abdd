"""The trade's facts: taxa, stages and sexes, rules, look-alikes, sizes, cautions, licences."""
