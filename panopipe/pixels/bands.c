/* See bands.py. */
#include "spline.h"
#include <stdlib.h>

#define SIDE 16

typedef struct {
    Py_ssize_t rows, width, spacing, from_one, first, down, across;
    const float *planes;
    const int32_t *columns;
    float *smooth, *energies;
} Scale;

/* Detail across, down and both; the second holds the plane smoothed down before. */
INLINE void part_rows(const float *RESTRICT middle, const float *RESTRICT along, const float *RESTRICT smooth,
                      Py_ssize_t count, float *RESTRICT first, float *RESTRICT second, float *RESTRICT third)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float across = second[i] - smooth[i];
        first[i] = along[i] - smooth[i];
        second[i] = across;
        third[i] = middle[i] - along[i] - across;
    }
}

/* A row of a plane from a column on, going round. */
INLINE void take_round(const float *row, Py_ssize_t width, Py_ssize_t first, Py_ssize_t count, float *out)
{
    Py_ssize_t column = first % width;
    if (column < 0)
        column += width;
    while (count) {
        Py_ssize_t piece = width - column < count ? width - column : count;
        memcpy(out, row + column, (size_t)piece * sizeof(float));
        out += piece;
        count -= piece;
        column = 0;
    }
}

/* A row smoothed along itself; `spare` holds two rows with what they go on to at both ends. */
FAST static void smooth_row(const float *row, const Scale *scale, Py_ssize_t last, float *spare, float *along)
{
    Py_ssize_t halo = 4 * last, stride = scale->width + 2 * halo, edge = 0;
    float *from = spare, *to = spare + stride;
    take_round(row, scale->width, -halo, stride, from);
    for (Py_ssize_t step = scale->from_one ? 1 : last; step <= last; step *= 2) {
        edge += 2 * step;
        const float *middle = from + edge;
        blend(middle - 2 * step, middle - step, middle, middle + step, middle + 2 * step, stride - 2 * edge, to + edge);
        float *before = from;
        from = to;
        to = before;
    }
    memcpy(along, from + halo, (size_t)scale->width * sizeof(float));
}

INLINE void blend_down(const float *rows, const Scale *scale, float *out)
{
    Py_ssize_t down = scale->spacing * scale->width;
    blend(rows - 2 * down, rows - down, rows, rows + down, rows + 2 * down, scale->width, out);
}

INLINE void add_squares(const float *RESTRICT detail, Py_ssize_t blocks, float *RESTRICT sums)
{
    for (Py_ssize_t block = 0; block < blocks; block++) {
        const float *RESTRICT some = detail + SIDE * block;
        float r[8];
        for (int i = 0; i < 8; i++)
            r[i] = some[i] * some[i] + some[i + 8] * some[i + 8];
        sums[block] += ((r[0] + r[1]) + (r[2] + r[3])) + ((r[4] + r[5]) + (r[6] + r[7]));
    }
}

/* One plane: smooth it, and add up the squares of its bands. `along` holds it whole, `bands` three rows. */
FAST static void part_plane(const Scale *scale, const float *plane, const float *along, float *bands, float *smooth,
                            float *energies)
{
    Py_ssize_t reach = 2 * scale->spacing, smooth_rows = scale->rows - 2 * reach, width = scale->width;
    Py_ssize_t top = scale->first, size = scale->down * scale->across;
    float *second = bands + width, *third = second + width;
    for (Py_ssize_t row = 0; row < smooth_rows; row++) {
        const float *middle = plane + (row + reach) * width, *here = along + (row + reach) * width;
        blend_down(here, scale, smooth + row * width);
        if (row < top || row >= top + SIDE * scale->down)
            continue;
        blend_down(middle, scale, second);
        part_rows(middle, here, smooth + row * width, width, bands, second, third);
        for (int band = 0; band < 3; band++)
            add_squares(bands + band * width, scale->across,
                        energies + band * size + (row - top) / SIDE * scale->across);
    }
    for (Py_ssize_t i = 0; i < 3 * size; i++)
        energies[i] /= SIDE * SIDE;
}

static int work(const Scale *scale)
{
    Py_ssize_t widest = 1, size = scale->rows * scale->width;
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        widest = scale->columns[row] > widest ? scale->columns[row] : widest;
    float *along = malloc((size_t)(size + 5 * scale->width + 16 * widest) * sizeof(float));
    if (!along)
        return -1;
    float *bands = along + size, *spare = bands + 3 * scale->width;
    memset(scale->energies, 0, (size_t)(9 * scale->down * scale->across) * sizeof(float));
    for (int plane = 0; plane < 3; plane++) {
        const float *rows = scale->planes + plane * size;
        for (Py_ssize_t row = 0; row < scale->rows; row++)
            smooth_row(rows + row * scale->width, scale, scale->columns[row], spare, along + row * scale->width);
        part_plane(scale, rows, along, bands, scale->smooth + plane * (size - 4 * scale->spacing * scale->width),
                   scale->energies + 3 * plane * scale->down * scale->across);
    }
    free(along);
    return 0;
}

static const Argument arguments[] = {{"planes", 'f', 0, 3, {3, -1, -2}},
                                     {"columns", 'i', 0, 1, {-1}},
                                     {"smooth", 'f', 1, 3, {3, -3, -2}},
                                     {"energies", 'f', 1, 3, {9, -4, -5}}};

static const char *fault_of(const Scale *scale, Py_ssize_t smooth_rows)
{
    if (scale->spacing < 1 || smooth_rows != scale->rows - 4 * scale->spacing)
        return "smooth: not the rows of the planes less four spacings";
    if (scale->first < 0 || scale->first + SIDE * scale->down > smooth_rows || SIDE * scale->across > scale->width)
        return "energies: more blocks than there are";
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        if (scale->columns[row] < 1 || 7 * scale->columns[row] > scale->width)
            return "columns: seven steps must fit into the width";
    return NULL;
}

PyObject *band_energies_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[4];
    Arrays arrays;
    Py_ssize_t spacing, from_one, first;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnnnOOO", &given[0], &spacing, &from_one, &first, &given[1], &given[2], &given[3])
        || open_arrays(given, arguments, 4, &arrays) < 0)
        return NULL;
    Scale scale = {arrays.length[0],   arrays.length[1],   spacing, from_one, first, arrays.length[3], arrays.length[4],
                   arrays.view[0].buf, arrays.view[1].buf, arrays.view[2].buf, arrays.view[3].buf};
    const char *fault = fault_of(&scale, arrays.length[2]);
    if (fault) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, fault);
        return NULL;
    }
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = work(&scale);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}
