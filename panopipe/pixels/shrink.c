/* See shrink.py. Worked on in tiles of columns, row by row behind one another. Of each row only what windows of
   later rows still need is held, in rings of rows that stay in the second cache. */
#include "common.h"
#include <stdlib.h>

#define TILE 1024
#define BANDS 3
#define LEAST_ENERGY 1e-6f
#define SPARE 4

typedef struct {
    Py_ssize_t rows, width, spacing, from_one, results;
    const float *planes, *noise, *precision, *control;
    const int32_t *columns;
    float *smooth, *result;
} Scale;

/* A plane of a tile, as many rows as are needed at once: a power of two, less one in `mask`. */
typedef struct {
    Py_ssize_t mask, stride;
    float *rows;
} Ring;

/* Planes of a tile: rows of `stride` floats, the tile's own first column after `halo` others. */
typedef struct {
    Py_ssize_t halo, stride;
    Ring planes[3], along[3], detail[9], energy[9], both[6], lit[6];
    float *smooth, *spare;
} Tile;

INLINE float *at(const Ring *ring, Py_ssize_t row) { return ring->rows + (row & ring->mask) * ring->stride; }

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
        const float *from = at(&tile->planes[plane], row);
        Py_ssize_t edge = 0;
        for (Py_ssize_t step = scale->from_one ? 1 : last; step <= last; step *= 2) {
            float *to = step * 2 > last ? at(&tile->along[plane], row)
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

INLINE void reckon_energy(const float *RESTRICT detail, const float *RESTRICT inverse, float precision,
                          Py_ssize_t count, float *RESTRICT energy)
{
    for (Py_ssize_t i = 0; i < count; i++)
        energy[i] = detail[i] * detail[i] * (precision * inverse[i]);
}

INLINE void reckon_both(const float *RESTRICT colour, const float *RESTRICT lightness, const float *RESTRICT inverse,
                        float precision, Py_ssize_t count, float *RESTRICT both)
{
    for (Py_ssize_t i = 0; i < count; i++)
        both[i] = colour[i] * lightness[i] * (precision * inverse[i]);
}

INLINE void reckon_inverse(const float *RESTRICT a, const float *RESTRICT b, const float *RESTRICT c,
                           const float *noise, Py_ssize_t count, float *RESTRICT inverse)
{
    float by_a = noise[0], by_b = noise[1], by_c = noise[2], least = noise[3];
    for (Py_ssize_t i = 0; i < count; i++)
        inverse[i] = 1.0f / most_of(by_a * a[i] + by_b * b[i] + by_c * c[i] + least, least);
}

INLINE void add_3(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                  Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = two[i] + (one[i] + three[i]);
}

INLINE void add_7(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                  const float *RESTRICT four, const float *RESTRICT five, const float *RESTRICT six,
                  const float *RESTRICT seven, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = four[i] + (three[i] + five[i]) + (two[i] + six[i]) + (one[i] + seven[i]);
}

INLINE void sum_along(const float *values, Py_ssize_t step, int band, Py_ssize_t count, float *out)
{
    const float *from = values + 3 * step;
    count -= 6 * step;
    if (band == 0)
        add_7(from - 3 * step, from - 2 * step, from - step, from, from + step, from + 2 * step, from + 3 * step,
              count, out);
    else
        add_3(from - step, from, from + step, count, out);
}

INLINE void blend_down(const Ring *ring, Py_ssize_t row, Py_ssize_t step, Py_ssize_t edge, Py_ssize_t count,
                       float *RESTRICT out)
{
    blend(at(ring, row - 2 * step) + edge, at(ring, row - step) + edge, at(ring, row) + edge,
          at(ring, row + step) + edge, at(ring, row + 2 * step) + edge, count, out);
}

/* The smooth planes along one row. */
FAST static void smooth_row(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    for (int plane = 0; plane < 3; plane++)
        blend_down(&tile->along[plane], row, scale->spacing, 0, tile->stride, tile->smooth + plane * tile->stride);
}

/* Sums along a row of a band's energy; of a colour also of what it shares with lightness, all by its own noise. */
INLINE void sum_energies(const Scale *scale, Tile *tile, Py_ssize_t row, int plane, int band, float *const *inverse)
{
    Py_ssize_t columns = scale->columns[row], edge = tile->halo - 3 * columns, count = tile->stride - 2 * edge;
    const float *lightness = at(&tile->detail[band], row) + edge;
    const float *detail = at(&tile->detail[3 * plane + band], row) + edge;
    const float *precision = scale->precision + 9 * row + 3 * band;
    float *product = tile->spare + 3 * tile->stride;
    reckon_energy(detail, inverse[plane], precision[plane], count, product);
    sum_along(product, columns, band, count, at(&tile->energy[3 * plane + band], row) + tile->halo);
    if (plane) {
        reckon_both(detail, lightness, inverse[plane], precision[plane], count, product);
        sum_along(product, columns, band, count, at(&tile->both[3 * (plane - 1) + band], row) + tile->halo);
        reckon_energy(lightness, inverse[plane], precision[plane], count, product);
        sum_along(product, columns, band, count, at(&tile->lit[3 * (plane - 1) + band], row) + tile->halo);
    }
}

/* The bands of one row and the sums of their energy along it. */
FAST static void part(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    Py_ssize_t columns = scale->columns[row];
    Py_ssize_t edge = tile->halo - 3 * columns, count = tile->stride - 2 * edge;
    const float *smooth[3];
    for (int plane = 0; plane < 3; plane++) {
        smooth[plane] = tile->smooth + plane * tile->stride + edge;
        float *second = at(&tile->detail[3 * plane + 1], row) + edge;
        blend_down(&tile->planes[plane], row, scale->spacing, edge, count, second);
        part_rows(at(&tile->planes[plane], row) + edge, at(&tile->along[plane], row) + edge, smooth[plane], count,
                  at(&tile->detail[3 * plane], row) + edge, second, at(&tile->detail[3 * plane + 2], row) + edge);
    }
    float *inverse[3];
    for (int plane = 0; plane < 3; plane++) {
        inverse[plane] = tile->spare + plane * tile->stride;
        reckon_inverse(smooth[0], smooth[1], smooth[2], scale->noise + 4 * plane, count, inverse[plane]);
    }
    for (int plane = 0; plane < 3; plane++)
        for (int band = 0; band < BANDS; band++)
            sum_energies(scale, tile, row, plane, band, inverse);
}

INLINE void keep_lightness(const float *RESTRICT detail, const float *RESTRICT energy, float limit, float grain,
                           Py_ssize_t count, float *RESTRICT result, float *RESTRICT sure)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float ratio = limit / most_of(energy[i], limit);
        sure[i] = 1.0f - ratio * ratio;
        result[i] += detail[i] * (grain + (1.0f - grain) * sure[i]);
    }
}

typedef struct {
    const float *detail, *own, *both, *lit;
    float limit, grain;
} Colour;

INLINE void keep_colour(const Colour *colour, const float *RESTRICT lightness, const float *RESTRICT sure,
                        Py_ssize_t count, float *RESTRICT result)
{
    const float *RESTRICT detail = colour->detail, *RESTRICT own = colour->own, *RESTRICT both = colour->both;
    const float *RESTRICT lit = colour->lit;
    float limit = colour->limit, grain = colour->grain;
    for (Py_ssize_t i = 0; i < count; i++) {
        float slope = both[i] / most_of(lit[i], LEAST_ENERGY);
        float ratio = limit / most_of(own[i] - slope * both[i], limit);
        float guess = slope * lightness[i] * sure[i];
        result[i] += guess + (detail[i] - guess) * (grain + (1.0f - grain) * (1.0f - ratio * ratio));
    }
}

/* Sums of a row over a band's windows. */
INLINE const float *sum_down(const Ring *sums, Py_ssize_t row, Py_ssize_t down, Py_ssize_t halo, int band,
                             Py_ssize_t count, float *out)
{
    if (band == 1)
        add_7(at(sums, row - 3 * down) + halo, at(sums, row - 2 * down) + halo, at(sums, row - down) + halo,
              at(sums, row) + halo, at(sums, row + down) + halo, at(sums, row + 2 * down) + halo,
              at(sums, row + 3 * down) + halo, count, out);
    else
        add_3(at(sums, row - down) + halo, at(sums, row) + halo, at(sums, row + down) + halo, count, out);
    return out;
}

FAST static void gather_kept(const Scale *scale, Tile *tile, Py_ssize_t row, Py_ssize_t count, float *result)
{
    Py_ssize_t down = scale->spacing, halo = tile->halo, plane_size = scale->results * scale->width;
    float *sure = tile->spare, *own = sure + tile->stride, *both = own + tile->stride, *lit = both + tile->stride;
    for (int band = 0; band < BANDS; band++) {
        float size = band == 2 ? 9.0f : 21.0f;
        const float *lightness = at(&tile->detail[band], row) + halo;
        sum_down(&tile->energy[band], row, down, halo, band, count, own);
        keep_lightness(lightness, own, scale->control[0] * size, scale->control[1], count, result, sure);
        for (int plane = 1; plane < 3; plane++) {
            Colour colour = {at(&tile->detail[3 * plane + band], row) + halo,
                             sum_down(&tile->energy[3 * plane + band], row, down, halo, band, count, own),
                             sum_down(&tile->both[3 * (plane - 1) + band], row, down, halo, band, count, both),
                             sum_down(&tile->lit[3 * (plane - 1) + band], row, down, halo, band, count, lit),
                             scale->control[2 * plane] * size,
                             scale->control[2 * plane + 1]};
            keep_colour(&colour, lightness, sure, count, result + plane * plane_size);
        }
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
                           first - tile->halo, tile->stride, at(&tile->planes[plane], row));
            smooth_along(scale, tile, row);
        }
        Py_ssize_t parted = row - reach;
        if (parted >= reach && parted < scale->rows - reach) {
            smooth_row(scale, tile, parted);
            for (int plane = 0; plane < 3; plane++)
                memcpy(scale->smooth + (plane * smooth_rows + parted - reach) * scale->width + first,
                       tile->smooth + plane * tile->stride + tile->halo, (size_t)count * sizeof(float));
            if (parted >= skip - window && parted < skip + scale->results + window)
                part(scale, tile, parted);
        }
        Py_ssize_t kept = row - reach - window;
        if (kept >= skip && kept < skip + scale->results)
            gather_kept(scale, tile, kept, count, scale->result + (kept - skip) * scale->width + first);
    }
}

static Py_ssize_t rows_for(Py_ssize_t reach)
{
    Py_ssize_t rows = 1;
    while (rows < reach + 1)
        rows *= 2;
    return rows;
}

static float *cut_rings(Ring *rings, int count, Py_ssize_t rows, Py_ssize_t stride, float *memory)
{
    for (int i = 0; i < count; i++, memory += rows * stride)
        rings[i] = (Ring){rows - 1, stride, memory};
    return memory;
}

static int work(const Scale *scale)
{
    Py_ssize_t widest = 1;
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        widest = scale->columns[row] > widest ? scale->columns[row] : widest;
    Tile tile = {.halo = 7 * widest};
    tile.stride = TILE + 2 * tile.halo;
    Py_ssize_t blended = rows_for(4 * scale->spacing), parted = rows_for(3 * scale->spacing);
    Py_ssize_t summed = rows_for(6 * scale->spacing);
    Py_ssize_t rows = 6 * blended + 9 * parted + 21 * summed + 3 + SPARE;
    float *memory = calloc((size_t)(rows * tile.stride), sizeof(float));
    if (!memory)
        return -1;
    float *next = cut_rings(tile.planes, 3, blended, tile.stride, memory);
    next = cut_rings(tile.along, 3, blended, tile.stride, next);
    next = cut_rings(tile.detail, 9, parted, tile.stride, next);
    next = cut_rings(tile.energy, 9, summed, tile.stride, next);
    next = cut_rings(tile.both, 6, summed, tile.stride, next);
    next = cut_rings(tile.lit, 6, summed, tile.stride, next);
    tile.smooth = next;
    tile.spare = next + 3 * tile.stride;
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
