//! From grey levels to label maps: background, threshold, labelling, boundary maps, watershed.
