/* See box.py. */
#include "common.h"
#include <math.h>

typedef struct {
    Py_ssize_t width, planes;
    const double *row;
    double *before, *turn; /* running sums before each place, and the sum of the whole row */
} Round;

FAST static void sum_round(Round r)
{
    for (Py_ssize_t k = 0; k < r.planes; k++)
        r.turn[k] = 0;
    for (Py_ssize_t i = 0; i < r.width; i++)
        for (Py_ssize_t k = 0; k < r.planes; k++) {
            double own = r.row[i * r.planes + k];
            r.turn[k] += own;
            r.before[i * r.planes + k] = r.turn[k] - own;
        }
}

/* Integrals up to each place plus an offset, added to or taken from what stands in `out`. */
FAST static void integrals_round(Round r, double offset, int taken, double *RESTRICT out)
{
    double whole = floor(offset), part = offset - whole;
    Py_ssize_t place = (Py_ssize_t)whole, turns = 0;
    for (; place < 0; place += r.width)
        turns--;
    for (; place >= r.width; place -= r.width)
        turns++;
    for (Py_ssize_t i = 0; i < r.width; i++) {
        for (Py_ssize_t k = 0; k < r.planes; k++) {
            Py_ssize_t from = place * r.planes + k;
            double sum = r.before[from] + part * r.row[from] + (double)turns * r.turn[k];
            double *own = out + i * r.planes + k;
            *own = taken ? *own - sum : sum;
        }
        if (++place == r.width) {
            place = 0;
            turns++;
        }
    }
}

static const Argument round_arguments[] = {
    {"rows", 'd', 0, 3, {-1, -2, -3}}, {"reach", 'd', 0, 1, {-1}}, {"out", 'd', 1, 3, {-1, -2, -3}}};

PyObject *box_round_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    double *scratch = NULL;
    (void)self;
    if (open_only_arrays(args, round_arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], planes = arrays.length[2];
    const double *rows = arrays.view[0].buf, *reach = arrays.view[1].buf;
    double *out = arrays.view[2].buf;
    int fits = width > 0 && planes > 0;
    for (Py_ssize_t row = 0; row < count; row++)
        fits &= reach[row] > 0 && reach[row] <= (double)width; /* no number does not fit either */
    if (!fits)
        PyErr_SetString(PyExc_ValueError, "reach: goes from more than nothing to once round");
    else if (!(scratch = PyMem_Malloc((width + 1) * planes * sizeof *scratch)))
        PyErr_NoMemory();
    if (!scratch) {
        close_arrays(&arrays);
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < count; row++) {
        double *own = out + row * width * planes, ends = 2 * reach[row];
        Round r = {width, planes, rows + row * width * planes, scratch, scratch + width * planes};
        sum_round(r);
        integrals_round(r, 0.5 + reach[row], 0, own);
        integrals_round(r, 0.5 - reach[row], 1, own);
        for (Py_ssize_t i = 0; i < width * planes; i++)
            own[i] /= ends;
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(scratch);
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

/* Running sums of weighed rows, the first of them 0. */
FAST static void sum_along(const double *RESTRICT rows, const double *weight, Py_ssize_t count,
                           Py_ssize_t columns, double *RESTRICT sums)
{
    for (Py_ssize_t i = 0; i < columns; i++)
        sums[i] = 0;
    for (Py_ssize_t row = 0; row < count; row++) {
        const double *own = rows + row * columns;
        double *from = sums + row * columns, *to = from + columns;
        for (Py_ssize_t i = 0; i < columns; i++)
            to[i] = from[i] + own[i] * weight[row];
    }
}

typedef struct {
    const double *sums;
    Py_ssize_t columns;
    double part;
} At;

INLINE At at(const double *sums, Py_ssize_t columns, Py_ssize_t count, double place)
{
    Py_ssize_t whole = (Py_ssize_t)place < count - 1 ? (Py_ssize_t)place : count - 1;
    At found = {sums + whole * columns, columns, place - (double)whole};
    return found;
}

INLINE double read_at(At at, Py_ssize_t i)
{
    return at.sums[i] * (1 - at.part) + at.sums[i + at.columns] * at.part;
}

FAST static void mean_between(At high, At low, double weight, Py_ssize_t columns, double *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < columns; i++)
        out[i] = (read_at(high, i) - read_at(low, i)) / weight;
}

static const Argument along_arguments[] = {{"rows", 'd', 0, 2, {-1, -2}},
                                           {"weight", 'd', 0, 1, {-1}},
                                           {"ends", 'd', 0, 2, {2, -3}},
                                           {"out", 'd', 1, 2, {-3, -2}}};

PyObject *box_along_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    double *scratch = NULL;
    (void)self;
    if (open_only_arrays(args, along_arguments, 4, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], columns = arrays.length[1], wanted = arrays.length[2];
    const double *weight = arrays.view[1].buf, *low = arrays.view[2].buf, *high = low + wanted;
    double *out = arrays.view[3].buf;
    int fits = count > 0;
    for (Py_ssize_t row = 0; row < 2 * wanted; row++)
        fits &= low[row] >= 0 && low[row] <= (double)count;
    if (!fits)
        PyErr_SetString(PyExc_ValueError, "ends: lie outside the rows");
    else if (!(scratch = PyMem_Malloc((count + 1) * (columns + 1) * sizeof *scratch)))
        PyErr_NoMemory();
    if (!scratch) {
        close_arrays(&arrays);
        return NULL;
    }
    double *weights = scratch + (count + 1) * columns;
    Py_BEGIN_ALLOW_THREADS
    sum_along(arrays.view[0].buf, weight, count, columns, scratch);
    weights[0] = 0;
    for (Py_ssize_t row = 0; row < count; row++)
        weights[row + 1] = weights[row] + weight[row];
    for (Py_ssize_t row = 0; row < wanted; row++) {
        At upper = at(weights, 1, count, high[row]), lower = at(weights, 1, count, low[row]);
        mean_between(at(scratch, columns, count, high[row]), at(scratch, columns, count, low[row]),
                     read_at(upper, 0) - read_at(lower, 0), columns, out + row * columns);
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(scratch);
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
