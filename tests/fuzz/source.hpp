#pragma once
#include "targets.hpp"

#include <bit>
#include <cmath>
#include <cstring>
#include <limits>

namespace lobetime::fuzz {

/// Turns bytes into choices and numbers, front to back; zeros when they are used up.
class Source {
public:
    explicit Source(Input input) : rest_(input) {}

    bool empty() const { return rest_.empty(); }

    std::uint8_t byte() {
        if (rest_.empty()) return 0;
        const std::uint8_t first = rest_.front();
        rest_ = rest_.subspan(1);
        return first;
    }

    /// One of 0 ... n - 1.
    std::size_t below(std::size_t n) { return byte() % n; }

    bool flag() { return (byte() & 1U) != 0; }

    /// low ... high in 255 steps: what people type.
    double usual(double low, double high) { return low + (high - low) * byte() / 255.0; }

    /// Any finite double.
    double any() {
        std::uint64_t bits = 0;
        for (int i = 0; i < 8; ++i) bits = bits << 8U | byte();
        const double x = std::bit_cast<double>(bits);
        return std::isfinite(x) ? x : 0.0;
    }

    /// Mostly a usual number, else an extreme one or any at all.
    double number(double low, double high) {
        switch (below(12)) {
            case 0:
                return any();
            case 1: {
                constexpr double ends[] = {0.0,
                                           -1.0,
                                           1e-300,
                                           1e-12,
                                           1e-3,
                                           1e3,
                                           1e12,
                                           1e39,
                                           1e300,
                                           -1e300,
                                           std::numeric_limits<double>::denorm_min(),
                                           std::numeric_limits<double>::max()};
                return ends[below(std::size(ends))];
            }
            default:
                return usual(low, high);
        }
    }

private:
    Input rest_;
};

}  // namespace lobetime::fuzz
