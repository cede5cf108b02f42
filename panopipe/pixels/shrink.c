/* See shrink.py. Worked on in tiles of columns, row by row behind one another, so that what a window needs is
   still in the second cache. */
#include "common.h"
#include <stdlib.h>

#define TILE 256
#define BANDS 3

typedef struct {
    Py_ssize_t rows, width, spacing, from_one, results;
    const float *planes, *noise, *precision, *control;
    const int32_t *columns;
    float *smooth, *result;
} Scale;

/* Planes of a tile: rows of `stride` floats, the tile's own first column after `halo` others. */
typedef struct {
    Py_ssize_t halo, stride, rows;
    float *planes, *along, *smooth, *detail, *energy, *spare;
} Tile;

INLINE float *at(float *planes, const Tile *tile, Py_ssize_t plane, Py_ssize_t row)
{
    return planes + (plane * tile->rows + row) * tile->stride;
}

INLINE void blend(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                  const float *RESTRICT four, const float *RESTRICT five, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = (one[i] + five[i]) * 0.0625f + (two[i] + four[i]) * 0.25f + three[i] * 0.375f;
}

FAST static void smooth_along(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    Py_ssize_t last = scale->columns[row];
    for (int plane = 0; plane < 3; plane++) {
        const float *from = at(tile->planes, tile, plane, row);
        Py_ssize_t edge = 0;
        for (Py_ssize_t step = scale->from_one ? 1 : last; step <= last; step *= 2) {
            float *to = step * 2 > last ? at(tile->along, tile, plane, row)
                                        : tile->spare + (from == tile->spare ? tile->stride : 0);
            edge += 2 * step;
            const float *middle = from + edge;
            /* left before right, as the definition's turns */
            blend(middle - 2 * step, middle - step, middle, middle + step, middle + 2 * step,
                  tile->stride - 2 * edge, to + edge);
            from = to;
        }
    }
}

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

INLINE void reckon_energy(const float *RESTRICT detail, const float *RESTRICT variance, float precision,
                          Py_ssize_t count, float *RESTRICT energy)
{
    for (Py_ssize_t i = 0; i < count; i++)
        energy[i] = detail[i] * detail[i] * (precision / variance[i]);
}

INLINE void reckon_variance(const float *RESTRICT a, const float *RESTRICT b, const float *RESTRICT c,
                            const float *noise, Py_ssize_t count, float *RESTRICT out)
{
    float by_a = noise[0], by_b = noise[1], by_c = noise[2], least = noise[3];
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = most_of(by_a * a[i] + by_b * b[i] + by_c * c[i] + least, least);
}

INLINE void sum_3(const float *RESTRICT from, Py_ssize_t step, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = from[i] + (from[i - step] + from[i + step]);
}

INLINE void sum_7(const float *RESTRICT from, Py_ssize_t step, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = from[i] + (from[i - step] + from[i + step]) + (from[i - 2 * step] + from[i + 2 * step])
                 + (from[i - 3 * step] + from[i + 3 * step]);
}

/* The smooth planes, the bands and the sums of their energy along one row. */
FAST static void part(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    Py_ssize_t step = scale->spacing, columns = scale->columns[row];
    Py_ssize_t edge = tile->halo - 3 * columns, count = tile->stride - 2 * edge;
    for (int plane = 0; plane < 3; plane++) {
        const float *from = at(tile->planes, tile, plane, row) + edge;
        const float *along = at(tile->along, tile, plane, row) + edge;
        float *smooth = at(tile->smooth, tile, plane, row) + edge;
        float *first = at(tile->detail, tile, 3 * plane, row) + edge;
        float *second = at(tile->detail, tile, 3 * plane + 1, row) + edge;
        float *third = at(tile->detail, tile, 3 * plane + 2, row) + edge;
        Py_ssize_t down = step * tile->stride;
        blend(along - 2 * down, along - down, along, along + down, along + 2 * down, count, smooth);
        blend(from - 2 * down, from - down, from, from + down, from + 2 * down, count, second);
        part_rows(from, along, smooth, count, first, second, third);
    }
    const float *smooth[3];
    for (int plane = 0; plane < 3; plane++)
        smooth[plane] = at(tile->smooth, tile, plane, row) + edge;
    for (int plane = 0; plane < 3; plane++) {
        float *variance = tile->spare, *energy = tile->spare + tile->stride;
        reckon_variance(smooth[0], smooth[1], smooth[2], scale->noise + 4 * plane, count, variance);
        for (int band = 0; band < BANDS; band++) {
            const float *detail = at(tile->detail, tile, 3 * plane + band, row) + edge;
            float *sums = at(tile->energy, tile, 3 * plane + band, row) + tile->halo;
            reckon_energy(detail, variance, scale->precision[9 * row + 3 * band + plane], count, energy);
            if (band == 0)
                sum_7(energy + 3 * columns, columns, count - 6 * columns, sums);
            else
                sum_3(energy + 3 * columns, columns, count - 6 * columns, sums);
        }
    }
}

INLINE void keep(const float *RESTRICT detail, const float *RESTRICT energy, float limit, float grain,
                 Py_ssize_t count, float *RESTRICT result)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float ratio = limit / most_of(energy[i], limit);
        result[i] += detail[i] * (grain + (1.0f - grain) * (1.0f - ratio * ratio));
    }
}

FAST static void gather_kept(const Scale *scale, Tile *tile, Py_ssize_t row, Py_ssize_t count, float *result)
{
    Py_ssize_t down = scale->spacing * tile->stride;
    for (int plane = 0; plane < 3; plane++)
        for (int band = 0; band < BANDS; band++) {
            const float *detail = at(tile->detail, tile, 3 * plane + band, row) + tile->halo;
            const float *sums = at(tile->energy, tile, 3 * plane + band, row) + tile->halo;
            float *energy = tile->spare;
            if (band == 1)
                sum_7(sums, down, count, energy);
            else
                sum_3(sums, down, count, energy);
            float limit = scale->control[2 * plane] * (band == 2 ? 9.0f : 21.0f);
            keep(detail, energy, limit, scale->control[2 * plane + 1], count,
                 result + plane * scale->results * scale->width);
        }
}

/* A row of a plane from a column on, going round. */
static void take_round(const float *row, Py_ssize_t width, Py_ssize_t first, Py_ssize_t count, float *out)
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

static void work_on_tile(const Scale *scale, Tile *tile, Py_ssize_t first, Py_ssize_t count)
{
    Py_ssize_t reach = 2 * scale->spacing, window = 3 * scale->spacing;
    Py_ssize_t skip = (scale->rows - scale->results) / 2, smooth_rows = scale->rows - 2 * reach;
    for (Py_ssize_t row = 0; row < scale->rows + window; row++) {
        if (row < scale->rows) {
            for (int plane = 0; plane < 3; plane++)
                take_round(scale->planes + (plane * scale->rows + row) * scale->width, scale->width,
                           first - tile->halo, tile->stride, at(tile->planes, tile, plane, row));
            smooth_along(scale, tile, row);
        }
        Py_ssize_t parted = row - reach;
        if (parted >= reach && parted < scale->rows - reach) {
            part(scale, tile, parted);
            for (int plane = 0; plane < 3; plane++)
                memcpy(scale->smooth + (plane * smooth_rows + parted - reach) * scale->width + first,
                       at(tile->smooth, tile, plane, parted) + tile->halo, (size_t)count * sizeof(float));
        }
        Py_ssize_t kept = row - reach - window;
        if (kept >= skip && kept < skip + scale->results)
            gather_kept(scale, tile, kept, count, scale->result + (kept - skip) * scale->width + first);
    }
}

static int work(const Scale *scale)
{
    Py_ssize_t widest = 1;
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        widest = scale->columns[row] > widest ? scale->columns[row] : widest;
    Tile tile = {.halo = 7 * widest, .rows = scale->rows};
    tile.stride = TILE + 2 * tile.halo;
    Py_ssize_t plane = tile.rows * tile.stride;
    float *memory = calloc((size_t)(27 * plane + 4 * tile.stride), sizeof(float));
    if (!memory)
        return -1;
    tile.planes = memory;
    tile.along = memory + 3 * plane;
    tile.smooth = memory + 6 * plane;
    tile.detail = memory + 9 * plane;
    tile.energy = memory + 18 * plane;
    tile.spare = memory + 27 * plane;
    for (Py_ssize_t first = 0; first < scale->width; first += TILE)
        work_on_tile(scale, &tile, first, scale->width - first < TILE ? scale->width - first : TILE);
    free(memory);
    return 0;
}

static const Argument arguments[] = {
    {"planes", 'f', 0, 3, {3, -1, -2}}, {"columns", 'i', 0, 1, {-1}},  {"noise", 'f', 0, 2, {3, 4}},
    {"precision", 'f', 0, 3, {-1, 3, 3}}, {"control", 'f', 0, 2, {3, 2}}, {"smooth", 'f', 1, 3, {3, -3, -2}},
    {"result", 'f', 1, 3, {3, -4, -2}}};

static const char *fault_of(const Scale *scale, Py_ssize_t smooth_rows)
{
    if (scale->spacing < 1 || smooth_rows != scale->rows - 4 * scale->spacing)
        return "smooth: not the rows of the planes less four spacings";
    if (scale->results > scale->rows - 10 * scale->spacing || (scale->rows - scale->results) % 2)
        return "result: not the middle rows of the planes less ten spacings";
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        if (scale->columns[row] < 1 || 7 * scale->columns[row] > scale->width)
            return "columns: seven steps must fit into the width";
    return NULL;
}

PyObject *shrink_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[7];
    Arrays arrays;
    Py_ssize_t spacing, from_one;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnnOOOOOO", &given[0], &spacing, &from_one, &given[1], &given[2], &given[3], &given[4],
                          &given[5], &given[6])
        || open_arrays(given, arguments, 7, &arrays) < 0)
        return NULL;
    Scale scale = {arrays.length[0], arrays.length[1], spacing, from_one, arrays.length[3],
                   arrays.view[0].buf, arrays.view[2].buf, arrays.view[3].buf, arrays.view[4].buf,
                   arrays.view[1].buf, arrays.view[5].buf, arrays.view[6].buf};
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
