"""How the recogniser of read-outs came to be: fonts, drawn crops, the network, its training. Not needed to use it."""
