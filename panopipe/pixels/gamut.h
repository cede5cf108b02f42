/* Bringing colours into sRGB, for kernels that have them as planes; see gamut.py. */
#ifndef PANOPIPE_GAMUT_H
#define PANOPIPE_GAMUT_H

#include "common.h"

/* As gamut.py's `_LINE` lays them out: cones from sRGB, lightness from cone roots, tints from cone roots,
   sRGB from cones. */
typedef struct {
    float cones[9], lightness[3], tints[9], srgb[9];
} Line;

void fit_planes(Planes *planes, int count, const Line *line, float ceiling);

#endif
