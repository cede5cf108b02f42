/* See nearest.py. */
#include "common.h"
#include <math.h>

#define MOST_AXES 8

INLINE void nearest_of(const float point[][BLOCK], const float *others, Py_ssize_t many, int axes, float *least)
{
    for (int i = 0; i < BLOCK; i++)
        least[i] = INFINITY;
    for (Py_ssize_t other = 0; other < many; other++, others += axes)
        for (int i = 0; i < BLOCK; i++) {
            float total = (point[0][i] - others[0]) * (point[0][i] - others[0]);
            for (int axis = 1; axis < axes; axis++)
                total += (point[axis][i] - others[axis]) * (point[axis][i] - others[axis]);
            least[i] = least_of(total, least[i]);
        }
    for (int i = 0; i < BLOCK; i++)
        least[i] = sqrtf(least[i]);
}

FAST static void nearest(const float *points, Py_ssize_t count, const float *others, Py_ssize_t many, int axes,
                         float *out)
{
    float point[MOST_AXES][BLOCK], least[BLOCK];
    memset(point, 0, sizeof point);
    for (Py_ssize_t first = 0; first < count; first += BLOCK) {
        int some = count - first < BLOCK ? (int)(count - first) : BLOCK;
        for (int axis = 0; axis < axes; axis++)
            for (int i = 0; i < some; i++)
                point[axis][i] = points[(first + i) * axes + axis];
        /* Loops of a length that is known are unrolled. */
        if (axes == 3)
            nearest_of(point, others, many, 3, least);
        else if (axes == 4)
            nearest_of(point, others, many, 4, least);
        else
            nearest_of(point, others, many, axes, least);
        memcpy(out + first, least, (size_t)some * sizeof *out);
    }
}

static const Argument arguments[] = {
    {"points", 'f', 0, 2, {-1, -2}}, {"others", 'f', 0, 2, {-3, -2}}, {"out", 'f', 1, 1, {-1}}};

PyObject *nearest_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t axes = arrays.length[1], many = arrays.length[2];
    if (axes < 1 || axes > MOST_AXES || many < 1) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "nearest: not points of up to 8 sides and at least one other");
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    nearest(arrays.view[0].buf, arrays.length[0], arrays.view[1].buf, many, (int)axes, arrays.view[2].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

FAST static void nearest_row(const double *places, Py_ssize_t count, const double *table, Py_ssize_t many, int32_t *rows)
{
    double x[BLOCK] = {0}, y[BLOCK] = {0}, least[BLOCK], best[BLOCK];
    for (Py_ssize_t first = 0; first < count; first += BLOCK) {
        int some = count - first < BLOCK ? (int)(count - first) : BLOCK;
        for (int i = 0; i < some; i++) {
            x[i] = places[2 * (first + i)];
            y[i] = places[2 * (first + i) + 1];
        }
        for (int i = 0; i < BLOCK; i++) {
            least[i] = INFINITY;
            best[i] = 0.0;
        }
        for (Py_ssize_t row = 0; row < many; row++) {
            double to_x = table[2 * row], to_y = table[2 * row + 1], number = (double)row;
            for (int i = 0; i < BLOCK; i++) {
                double gap = (x[i] - to_x) * (x[i] - to_x) + (y[i] - to_y) * (y[i] - to_y);
                best[i] = gap < least[i] ? number : best[i];
                least[i] = gap < least[i] ? gap : least[i];
            }
        }
        for (int i = 0; i < some; i++)
            rows[first + i] = (int32_t)best[i];
    }
}

static const Argument row_arguments[] = {
    {"places", 'd', 0, 2, {-1, 2}}, {"table", 'd', 0, 2, {-2, 2}}, {"rows", 'i', 1, 1, {-1}}};

PyObject *nearest_row_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, row_arguments, 3, &arrays) < 0)
        return NULL;
    if (arrays.length[1] < 1) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "table: has no row");
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    nearest_row(arrays.view[0].buf, arrays.length[0], arrays.view[1].buf, arrays.length[1], arrays.view[2].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
