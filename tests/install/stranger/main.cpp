#include <cstdio>
#include <lobetime/lobetime.hpp>

int main() {
    std::printf("lobetime %s\n", lobetime::version());
    return 0;
}
