/* See shrink.py. Worked on in tiles of columns, row by row behind one another. Of each row only what windows of
   later rows still need is held, in rings of rows that stay in the second cache. */
#include "spline.h"
#include <stdlib.h>

#define TILE 1024
#define BANDS 3
#define COLOURS 2
#define WINDOW_REACH 2
#define WINDOW_SIZE 25.0f
#define LEAST_ENERGY 1e-6f

/* Rows of sums: of the energy of each band of lightness, of that of each colour, of what each colour shares with
   lightness, and of lightness as the colours weigh it. */
enum { OWN = BANDS, BOTH = OWN + COLOURS, LIT = BOTH + COLOURS, SUMS };
/* Rows of detail that are kept: the bands, then the colours. */
enum { COLOUR = BANDS, DETAILS = COLOUR + COLOURS };
/* Rows that one row needs while it is worked on; its smooth planes, and those of the row before. */
enum { DOWN, SMOOTH = DOWN + 3, MIDDLE = SMOOTH + 6, ALONG = MIDDLE + 3, SPARE, ROWS = SPARE + SUMS + 1 };

typedef struct {
    Py_ssize_t rows, width, spacing, from_one, fresh, results, skip, left, left_width;
    const float *planes, *noise, *shares, *control;
    const int32_t *columns;
    float *smooth, *change;
} Scale;

/* A plane of a tile, as many rows as are needed at once: a power of two, less one in `mask`. */
typedef struct {
    Py_ssize_t mask, stride;
    float *rows;
} Ring;

/* Planes of a tile: rows of `stride` floats, the tile's own first column after `halo` others. */
typedef struct {
    Py_ssize_t first, count, halo, stride;
    Ring detail[DETAILS], threshold[COLOURS], sum[SUMS];
    float *rows;
} Tile;

INLINE float *at(const Ring *ring, Py_ssize_t row) { return ring->rows + (row & ring->mask) * ring->stride; }
INLINE float *row_of(const Tile *tile, int number) { return tile->rows + number * tile->stride; }
INLINE float *smooth_of(const Tile *tile, Py_ssize_t row) { return row_of(tile, SMOOTH + (row & 1 ? 3 : 0)); }

/* A row as it is, and smoothed down the column; `step` floats between its rows. */
INLINE void blend_down(const float *RESTRICT from, Py_ssize_t step, Py_ssize_t count, float *RESTRICT middle,
                       float *RESTRICT down)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float here = from[i];
        middle[i] = here;
        down[i] = (from[i - 2 * step] + from[i + 2 * step]) * 0.0625f + (from[i - step] + from[i + step]) * 0.25f
            + here * 0.375f;
    }
}

/* The same of a tile's row; rows of the frame go on at their other end. */
FAST static void take_row(const Scale *scale, const Tile *tile, Py_ssize_t row, int plane)
{
    Py_ssize_t left = tile->stride, column = (tile->first - tile->halo) % scale->width;
    const float *from = scale->planes + (plane * scale->rows + row) * scale->width;
    float *middle = row_of(tile, MIDDLE + plane), *down = row_of(tile, DOWN + plane);
    column += column < 0 ? scale->width : 0;
    while (left) {
        Py_ssize_t piece = scale->width - column < left ? scale->width - column : left;
        blend_down(from + column, scale->spacing * scale->width, piece, middle, down);
        middle += piece;
        down += piece;
        left -= piece;
        column = 0;
    }
}

FAST static void smooth_along(const Scale *scale, const Tile *tile, Py_ssize_t row, const float *from, float *out)
{
    Py_ssize_t last = scale->columns[row], edge = 0;
    for (Py_ssize_t step = scale->from_one ? 1 : last; step <= last; step *= 2) {
        float *to = step * 2 > last ? out : row_of(tile, from == row_of(tile, SPARE) ? SPARE + 1 : SPARE);
        edge += 2 * step;
        const float *middle = from + edge;
        /* left before right, as the definition's turns */
        blend(middle - 2 * step, middle - step, middle, middle + step, middle + 2 * step, tile->stride - 2 * edge,
              to + edge);
        from = to;
    }
}

INLINE void part_lightness(const float *RESTRICT middle, const float *RESTRICT along, const float *RESTRICT down,
                           const float *RESTRICT smooth, Py_ssize_t count, float *const *band)
{
    float *RESTRICT first = band[0], *RESTRICT second = band[1], *RESTRICT third = band[2];
    for (Py_ssize_t i = 0; i < count; i++) {
        float across = down[i] - smooth[i];
        first[i] = along[i] - smooth[i];
        second[i] = across;
        third[i] = middle[i] - along[i] - across;
    }
}

INLINE float form_of(const float *noise, float a, float b, float c)
{
    return most_of(noise[0] * a + noise[1] * b + noise[2] * c + noise[3], noise[3]);
}

INLINE void weigh_lightness(const float *RESTRICT a, const float *RESTRICT b, const float *RESTRICT c,
                            const float *noise, Py_ssize_t count, float *RESTRICT weight)
{
    for (Py_ssize_t i = 0; i < count; i++)
        weight[i] = 1.0f / form_of(noise, a[i], b[i], c[i]);
}

INLINE void reckon_energy(const float *RESTRICT detail, const float *RESTRICT weight, float precision,
                          Py_ssize_t count, float *RESTRICT energy)
{
    for (Py_ssize_t i = 0; i < count; i++)
        energy[i] = detail[i] * detail[i] * (precision * weight[i]);
}

/* What the colours' noise makes of the weight of their energies, and of the thresholds of these. */
INLINE void weigh_colours(const float *RESTRICT a, const float *RESTRICT b, const float *RESTRICT c,
                          const float *noise, const float *shares, const float *limit, Py_ssize_t count,
                          float *RESTRICT weight, float *RESTRICT one, float *RESTRICT two)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float first = form_of(noise, a[i], b[i], c[i]) * shares[0];
        float second = form_of(noise + 4, a[i], b[i], c[i]) * shares[1];
        float both = 1.0f / (first + second);
        weight[i] = both;
        one[i] = first * both * limit[0];
        two[i] = second * both * limit[1];
    }
}

INLINE void take_off(const float *RESTRICT from, const float *RESTRICT what, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = from[i] - what[i];
}

INLINE void reckon_colour(const float *RESTRICT colour, const float *RESTRICT light, const float *RESTRICT weight,
                          Py_ssize_t count, float *RESTRICT own, float *RESTRICT both)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float weighted = colour[i] * weight[i];
        own[i] = colour[i] * weighted;
        both[i] = light[i] * weighted;
    }
}

INLINE void reckon_light(const float *RESTRICT light, const float *RESTRICT weight, Py_ssize_t count,
                         float *RESTRICT lit)
{
    for (Py_ssize_t i = 0; i < count; i++)
        lit[i] = light[i] * light[i] * weight[i];
}

/* Sums of five values, pair by pair outwards. */
INLINE void add(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                const float *RESTRICT four, const float *RESTRICT five, Py_ssize_t count, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = three[i] + (two[i] + four[i]) + (one[i] + five[i]);
}

INLINE void sum_along(const Tile *tile, const float *values, Py_ssize_t step, Py_ssize_t row, int number)
{
    const float *from = values + tile->halo;
    add(from - 2 * step, from - step, from, from + step, from + 2 * step, tile->count,
        at(&tile->sum[number], row) + tile->halo);
}

INLINE void sum_down(const Tile *tile, Py_ssize_t step, Py_ssize_t row, int number, float *out)
{
    const Ring *sum = &tile->sum[number];
    Py_ssize_t edge = tile->halo;
    add(at(sum, row - 2 * step) + edge, at(sum, row - step) + edge, at(sum, row) + edge, at(sum, row + step) + edge,
        at(sum, row + 2 * step) + edge, tile->count, out);
}

/* The bands of lightness in one row, and the sums of their energy along it. */
FAST static void part_light(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    Py_ssize_t columns = scale->columns[row], edge = tile->halo - WINDOW_REACH * columns, count = tile->stride - 2 * edge;
    const float *smooth = smooth_of(tile, row) + edge;
    float *band[BANDS], *weight = row_of(tile, SPARE) + edge, *energy = row_of(tile, SPARE + 1);
    for (int i = 0; i < BANDS; i++)
        band[i] = at(&tile->detail[i], row) + edge;
    part_lightness(row_of(tile, MIDDLE) + edge, row_of(tile, ALONG) + edge, row_of(tile, DOWN) + edge, smooth, count,
                   band);
    weigh_lightness(smooth, smooth + tile->stride, smooth + 2 * tile->stride, scale->noise, count, weight);
    for (int i = 0; i < BANDS; i++) {
        reckon_energy(band[i], weight, 1.0f / scale->shares[5 * row + i], count, energy + edge);
        sum_along(tile, energy, columns, row, i);
    }
}

/* The detail of the colours in one row, and the sums of their energies along it. */
FAST static void part_colours(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    Py_ssize_t columns = scale->columns[row], edge = tile->halo - WINDOW_REACH * columns, count = tile->stride - 2 * edge;
    const float *smooth = smooth_of(tile, row) + edge;
    float *weight = row_of(tile, SPARE) + edge, *light = row_of(tile, SPARE + 1) + edge;
    float *energy = row_of(tile, SPARE + 2), *both = row_of(tile, SPARE + 3);
    float limit[COLOURS] = {scale->control[2] * WINDOW_SIZE, scale->control[4] * WINDOW_SIZE};
    weigh_colours(smooth, smooth + tile->stride, smooth + 2 * tile->stride, scale->noise + 4,
                  scale->shares + 5 * row + BANDS, limit, count, weight, at(&tile->threshold[0], row) + edge,
                  at(&tile->threshold[1], row) + edge);
    take_off(row_of(tile, MIDDLE) + edge, smooth, count, light);
    reckon_light(light, weight, count, energy + edge);
    sum_along(tile, energy, columns, row, LIT);
    for (int i = 0; i < COLOURS; i++) {
        float *colour = at(&tile->detail[COLOUR + i], row) + edge;
        take_off(row_of(tile, MIDDLE + 1 + i) + edge, smooth + (i + 1) * tile->stride, count, colour);
        reckon_colour(colour, light, weight, count, energy + edge, both + edge);
        sum_along(tile, energy, columns, row, OWN + i);
        sum_along(tile, both, columns, row, BOTH + i);
    }
}

/* Share of a detail that goes. */
INLINE float going(float energy, float limit)
{
    float ratio = limit / most_of(energy, limit);
    return ratio * ratio;
}

/* Of a row as it is if it is `fresh`, else of what `change` holds. */
INLINE void take_lightness(float *const *band, float *const *energy, float limit, float share, int fresh,
                           const float *RESTRICT row, Py_ssize_t count, float *RESTRICT change,
                           float *RESTRICT stays)
{
    const float *RESTRICT a = band[0], *RESTRICT b = band[1], *RESTRICT c = band[2];
    const float *RESTRICT of_a = energy[0], *RESTRICT of_b = energy[1], *RESTRICT of_c = energy[2];
    for (Py_ssize_t i = 0; i < count; i++) {
        float gone = a[i] * going(of_a[i], limit) + b[i] * going(of_b[i], limit) + c[i] * going(of_c[i], limit);
        stays[i] = a[i] + b[i] + c[i] - gone;
        change[i] = (fresh ? row[i] : change[i]) - share * gone;
    }
}

INLINE void invert(float *RESTRICT values, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++)
        values[i] = 1.0f / most_of(values[i], LEAST_ENERGY);
}

typedef struct {
    const float *detail, *own, *both, *threshold;
} Colour;

INLINE void take_colour(const Colour *colour, const float *RESTRICT by_lit, const float *RESTRICT light, float share,
                        int fresh, const float *RESTRICT row, Py_ssize_t count, float *RESTRICT change)
{
    const float *RESTRICT detail = colour->detail, *RESTRICT own = colour->own, *RESTRICT both = colour->both;
    const float *RESTRICT threshold = colour->threshold;
    for (Py_ssize_t i = 0; i < count; i++) {
        float slope = both[i] * by_lit[i];
        float rest = detail[i] - slope * light[i];
        change[i] = (fresh ? row[i] : change[i]) - share * (rest * going(own[i] - slope * both[i], threshold[i]));
    }
}

FAST static void take_what_goes(const Scale *scale, Tile *tile, Py_ssize_t row, float *change)
{
    Py_ssize_t halo = tile->halo, count = tile->count, plane_size = scale->results * scale->width;
    const float *from = scale->planes + row * scale->width + tile->first;
    int fresh = scale->fresh != 0;
    float *sum[SUMS], *band[BANDS], *light = row_of(tile, SPARE + SUMS);
    float limit = scale->control[0] * WINDOW_SIZE;
    for (int i = 0; i < SUMS; i++) {
        sum[i] = row_of(tile, SPARE + i);
        sum_down(tile, scale->spacing, row, i, sum[i]);
    }
    for (int i = 0; i < BANDS; i++)
        band[i] = at(&tile->detail[i], row) + halo;
    take_lightness(band, sum, limit, scale->control[1], fresh, from, count, change, light);
    invert(sum[LIT], count);
    for (int i = 0; i < COLOURS; i++) {
        from += scale->rows * scale->width;
        Colour colour = {at(&tile->detail[COLOUR + i], row) + halo, sum[OWN + i], sum[BOTH + i],
                         at(&tile->threshold[i], row) + halo};
        take_colour(&colour, sum[LIT], light, scale->control[2 * i + 3], fresh, from, count,
                    change + (i + 1) * plane_size);
    }
}

static void smooth_row(const Scale *scale, Tile *tile, Py_ssize_t row)
{
    float *smooth = smooth_of(tile, row);
    for (int plane = 0; plane < 3; plane++) {
        take_row(scale, tile, row, plane);
        smooth_along(scale, tile, row, row_of(tile, DOWN + plane), smooth + plane * tile->stride);
    }
}

/* Mean of two by two pixels. */
INLINE void mean_of_four(const float *RESTRICT upper, const float *RESTRICT lower, Py_ssize_t width,
                         float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < width; i++)
        out[i] = ((upper[2 * i] + upper[2 * i + 1]) + (lower[2 * i] + lower[2 * i + 1])) * 0.25f;
}

/* Of the smooth planes that are left: this row, or the mean of this and the one before. */
FAST static void leave(const Scale *scale, const Tile *tile, Py_ssize_t row)
{
    Py_ssize_t by = scale->left_width < scale->width ? 2 : 1, number = row - 2 * scale->spacing - scale->skip + 1 - by;
    if (number < 0 || number % by || number / by >= scale->left)
        return;
    const float *smooth = smooth_of(tile, row) + tile->halo, *before = smooth_of(tile, row - 1) + tile->halo;
    float *to = scale->smooth + number / by * scale->left_width + tile->first / by;
    for (int plane = 0; plane < 3; plane++, to += scale->left * scale->left_width) {
        Py_ssize_t from = plane * tile->stride;
        if (by == 2)
            mean_of_four(before + from, smooth + from, tile->count / 2, to);
        else
            memcpy(to, smooth + from, (size_t)tile->count * sizeof(float));
    }
}

static void work_on_tile(const Scale *scale, Tile *tile)
{
    Py_ssize_t reach = 2 * scale->spacing, window = WINDOW_REACH * scale->spacing;
    Py_ssize_t top = (scale->rows - scale->results) / 2, end = top + scale->results;
    for (Py_ssize_t row = reach; row < scale->rows - reach; row++) {
        smooth_row(scale, tile, row);
        leave(scale, tile, row);
        if (row < top - window || row >= end + window)
            continue;
        smooth_along(scale, tile, row, row_of(tile, MIDDLE), row_of(tile, ALONG));
        part_light(scale, tile, row);
        part_colours(scale, tile, row);
        Py_ssize_t kept = row - window;
        if (kept < top)
            continue;
        take_what_goes(scale, tile, kept, scale->change + (kept - top) * scale->width + tile->first);
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
    Tile tile = {.halo = (4 + WINDOW_REACH) * widest};
    tile.stride = TILE + 2 * tile.halo;
    Py_ssize_t held = rows_for(WINDOW_REACH * scale->spacing), summed = rows_for(2 * WINDOW_REACH * scale->spacing);
    Py_ssize_t rows = (DETAILS + COLOURS) * held + SUMS * summed + ROWS;
    float *memory = calloc((size_t)(rows * tile.stride), sizeof(float));
    if (!memory)
        return -1;
    float *next = cut_rings(tile.detail, DETAILS, held, tile.stride, memory);
    next = cut_rings(tile.threshold, COLOURS, held, tile.stride, next);
    tile.rows = cut_rings(tile.sum, SUMS, summed, tile.stride, next);
    for (tile.first = 0; tile.first < scale->width; tile.first += TILE) {
        tile.count = scale->width - tile.first < TILE ? scale->width - tile.first : TILE;
        work_on_tile(scale, &tile);
    }
    free(memory);
    return 0;
}

static const Argument arguments[] = {
    {"planes", 'f', 0, 3, {3, -1, -2}}, {"columns", 'i', 0, 1, {-1}},  {"noise", 'f', 0, 2, {3, 4}},
    {"shares", 'f', 0, 2, {-1, 5}},     {"control", 'f', 0, 2, {3, 2}}, {"smooth", 'f', 1, 3, {3, -3, -4}},
    {"change", 'f', 1, 3, {3, -5, -2}}};

static const char *fault_of(const Scale *scale)
{
    Py_ssize_t by = scale->left_width < scale->width ? 2 : 1;
    if (scale->spacing < 1 || scale->skip < 0 || by * scale->left_width != scale->width
        || scale->skip + by * scale->left > scale->rows - 4 * scale->spacing)
        return "smooth: not in the planes less four spacings";
    if (scale->results > scale->rows - 8 * scale->spacing || (scale->rows - scale->results) % 2)
        return "change: not the middle rows of the planes less eight spacings";
    for (Py_ssize_t row = 0; row < scale->rows; row++)
        if (scale->columns[row] < 1 || 6 * scale->columns[row] > scale->width)
            return "columns: six steps must fit into the width";
    return NULL;
}

PyObject *shrink_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[7];
    Arrays arrays;
    Scale scale;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnnOOOOnnOO", &given[0], &scale.spacing, &scale.from_one, &given[1], &given[2],
                          &given[3], &given[4], &scale.skip, &scale.fresh, &given[5], &given[6])
        || open_arrays(given, arguments, 7, &arrays) < 0)
        return NULL;
    scale.rows = arrays.length[0];
    scale.width = arrays.length[1];
    scale.left = arrays.length[2];
    scale.left_width = arrays.length[3];
    scale.results = arrays.length[4];
    scale.planes = arrays.view[0].buf;
    scale.columns = arrays.view[1].buf;
    scale.noise = arrays.view[2].buf;
    scale.shares = arrays.view[3].buf;
    scale.control = arrays.view[4].buf;
    scale.smooth = arrays.view[5].buf;
    scale.change = arrays.view[6].buf;
    const char *fault = fault_of(&scale);
    int failed = 0;
    if (!fault) {
        Py_BEGIN_ALLOW_THREADS
        failed = work(&scale);
        Py_END_ALLOW_THREADS
    }
    close_arrays(&arrays);
    if (failed)
        return PyErr_NoMemory();
    if (fault) {
        PyErr_SetString(PyExc_ValueError, fault);
        return NULL;
    }
    Py_RETURN_NONE;
}
