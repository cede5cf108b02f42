/* The cubic B-spline that planes are smoothed by, see shrink.py. */
#ifndef PANOPIPE_SPLINE_H
#define PANOPIPE_SPLINE_H

#include "common.h"

INLINE void blend(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                  const float *RESTRICT four, const float *RESTRICT five, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = (one[i] + five[i]) * 0.0625f + (two[i] + four[i]) * 0.25f + three[i] * 0.375f;
}

#endif
